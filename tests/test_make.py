"""The main job from outside: a manifest in, true plates, tickets and a record out; or a reason, and nothing lost."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from pipeline.cli import main
from pipeline.faults import ExitCode
from tests.conftest import ROOT

BADGE = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 160">
<defs><linearGradient id="g"><stop offset="0" stop-color="#8f2430"/><stop offset="1" stop-color="#f3e9d2"/>
</linearGradient></defs>
<circle cx="70" cy="80" r="58" fill="#8f2430"/><circle cx="70" cy="80" r="36" fill="#2f7f86"/>
<rect x="110" y="30" width="70" height="40" fill="url(#g)"/>
<path id="star" d="M70 54L78 74H98L82 86L88 106L70 94L52 106L58 86L42 74H62Z" fill="#f3e9d2"/>
<rect x="110" y="90" width="70" height="40" fill="#808080"/></svg>"""

ORDER: dict[str, Any] = {
    "order": "T-1",
    "approval": "not needed",
    "garment": "unisex tee",
    "art": {"badge": {"file": "badge.svg"}},
    "prints": [
        {"name": "chest", "art": "badge", "position": "left chest", "route": "direct", "width_mm": 60}
    ],
    "colourways": [
        {"name": "Barn red", "fabric": {"srgb": "#8f2430"}, "sizes": {"S": 3, "M": 4}, "near_fabric": "keep"},
        {"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 2}},
    ],
    "fade": {"method": "none"},
}


def order(**changes: Any) -> dict[str, Any]:
    return {**json.loads(json.dumps(ORDER)), **changes}


def hand_in(folder: Path, manifest: dict[str, Any], art: dict[str, str | bytes] | None = None) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in (art or {"badge.svg": BADGE}).items():
        (folder / name).write_bytes(data.encode() if isinstance(data, str) else data)
    path = folder / "order.json"
    path.write_text(json.dumps(manifest), encoding="utf-8")
    return path


def make(
    folder: Path, manifest: dict[str, Any], art: dict[str, str | bytes] | None = None, workers: int = 1
) -> int:
    path = hand_in(folder / "in", manifest, art)
    return main(["make", str(path), "--out", str(folder / "out"), "--workers", str(workers)])


def record(folder: Path, name: str = "T-1-r1") -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "out" / name / "record.json").read_text(encoding="utf-8"))
    return found


def plate(folder: Path, role: str, colourway: str, size: str, name: str = "T-1-r1") -> np.ndarray:
    for entry in record(folder, name)["files"]:
        if (entry["role"], entry["colourway"]) == (role, colourway) and size in entry["sizes"]:
            return np.asarray(Image.open(folder / "out" / name / entry["path"]))
    raise AssertionError(f"no {role} for {colourway} {size}")


def seen(pixels: np.ndarray, cloth: tuple[int, int, int]) -> np.ndarray:
    """Porter–Duff "over" in encoded sRGB (W3C Compositing and Blending Level 1)."""
    alpha = pixels[..., 3:] / 255
    return alpha * pixels[..., :3] + (1 - alpha) * np.array(cloth, float)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    assert make(folder, ORDER) == 0
    return folder


def test_the_record_counts_and_names_everything(made: Path) -> None:
    """Garments and impressions are counted apart from overs, and every file is listed with its digest."""
    found = record(made)

    assert (found["schema"], found["state"]) == ("washfast-record/1", "released")
    assert found["totals"]["garments"] == 9
    assert found["totals"]["impressions"] == 9
    roles = sorted({entry["role"] for entry in found["files"]})
    assert roles == ["picture", "press-base", "press-colour", "press-page", "proof", "ticket"]
    assert main(["audit", str(made / "out" / "T-1-r1")]) == 0


def test_plates_have_the_exact_size_and_resolution(made: Path) -> None:
    """width_px = round(width_mm × ppi / 25.4), edge to edge, resolution in the file (by definition of an inch)."""
    for entry in record(made)["files"]:
        if entry["role"] in ("press-colour", "press-base"):
            with Image.open(made / "out" / "T-1-r1" / entry["path"]) as image:
                assert image.size == (round(60 * 300 / 25.4), round(48 * 300 / 25.4))
                assert image.info["dpi"][0] == pytest.approx(300, abs=0.02)
                assert image.mode == ("RGBA" if entry["role"] == "press-colour" else "L")


def test_on_its_own_fabric_nothing_changes_and_the_cloth_does_the_red(made: Path) -> None:
    """Knocked out on red, the shirt looks as drawn: ΔE00 ≤ 1 or one level everywhere (ΔE00 by scikit-image)."""
    red = (0x8F, 0x24, 0x30)
    knocked, whole = plate(made, "press-colour", "Barn red", "M"), plate(made, "press-colour", "Black", "M")

    one, other = seen(knocked, red), seen(whole, red)
    apart = deltaE_ciede2000(rgb2lab(one / 255), rgb2lab(other / 255))
    assert not ((apart > 1.0) & (np.abs(one - other).max(axis=-1) > 1.5)).any()
    height, width = knocked.shape[:2]
    assert knocked[height // 2, round(width * 0.08), 3] == 0  # the red disc's rim
    assert whole[height // 2, round(width * 0.08), 3] == 255


def test_no_base_outside_the_colour(made: Path) -> None:
    """White ink lies under ink alone, and somewhere."""
    for colourway in ("Barn red", "Black"):
        base, colour = (plate(made, f"press-{kind}", colourway, "M") for kind in ("base", "colour"))
        assert (base <= colour[..., 3]).all()
        assert base.max() == 255


def test_a_wearers_left_chest_lies_on_the_viewers_right(made: Path) -> None:
    """Left and right are the wearer's (common practice, no source)."""
    origins = {tuple(e["origin_mm"]) for e in record(made)["files"] if e["role"] == "press-colour"}

    assert origins == {(70.0, 190.0)}


def test_one_drawing_serves_all_sizes_by_scaling(tmp_path: Path) -> None:
    """A full front grows with the half chest (common practice, no source): S 457, M 508, 2XL 660 mm."""
    manifest = order(
        prints=[{"name": "f", "art": "badge", "position": "full front", "width_mm": 100, "route": "direct"}],
        colourways=[{"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"S": 1, "M": 1, "2XL": 1}}],
    )
    assert make(tmp_path, manifest) == 0

    widths = {e["sizes"][0]: e["width_mm"] for e in record(tmp_path)["files"] if e["role"] == "press-colour"}
    assert widths["M"] == 100
    assert widths["S"] == pytest.approx(100 * 457 / 508, abs=0.01)
    assert widths["2XL"] == pytest.approx(100 * 660 / 508, abs=0.01)


def test_a_cut_out_shows_whatever_cloth_it_lies_on(tmp_path: Path) -> None:
    """The star and all beneath it are gone on every fabric (common practice, no source)."""
    assert make(tmp_path, order(art={"badge": {"file": "badge.svg", "cut_out": ["star"]}})) == 0

    for colourway in ("Barn red", "Black"):
        colour = plate(tmp_path, "press-colour", colourway, "M")
        assert colour[colour.shape[0] // 2, round(colour.shape[1] * 70 / 200), 3] == 0


def test_raster_art_goes_the_same_way_as_vector(made: Path, tmp_path: Path) -> None:
    """The same drawing as a bitmap at the box's size gives the same plates (common practice, no source)."""
    drawn = plate(made, "press-colour", "Black", "M")
    Image.fromarray(drawn).save(tmp_path / "badge.png")
    art = {"badge.png": (tmp_path / "badge.png").read_bytes()}
    assert make(tmp_path, order(art={"badge": {"file": "badge.png"}}), art) == 0

    assert (plate(tmp_path, "press-colour", "Black", "M") == drawn).all()
    for cloth in ((0x8F, 0x24, 0x30), (255, 255, 255)):
        raster, vector = (plate(f, "press-colour", "Barn red", "M") for f in (tmp_path, made))
        assert np.mean(np.abs(seen(raster, cloth) - seen(vector, cloth))) < (
            1.0 if cloth[0] == 0x8F else 12.0
        )


def test_what_lies_outside_the_print_area_is_not_printed(tmp_path: Path) -> None:
    """A shifted print is held until cut_ok accepts it, and then cut (common practice, no source)."""
    prints = [{**ORDER["prints"][0], "shift_mm": [40, 0]}]
    assert make(tmp_path, order(prints=prints)) == 3
    held = record(tmp_path, "held/T-1-r1")
    assert {f["code"] for f in held["findings"] if f["severity"] == "stop"} == {"outside-area"}
    assert not [e for e in held["files"] if e["role"].startswith("press")]

    assert make(tmp_path, order(prints=[{**prints[0], "cut_ok": True}])) == 0
    colour = plate(tmp_path, "press-colour", "Black", "M")
    # the area of a left chest ends 155 mm right of the centre line; the print starts at 110
    assert colour[:, round(46 * 300 / 25.4) :, 3].max() == 0
    assert colour[:, : round(44 * 300 / 25.4), 3].max() == 255


def test_a_swap_leaves_no_trace_of_the_old_colour(tmp_path: Path) -> None:
    """On one colourway alone, teal becomes cream; the other keeps it."""
    manifest = order()
    manifest["colourways"][1]["swap"] = [{"from": "#2f7f86", "to": "#f3e9d2"}]
    assert make(tmp_path, manifest) == 0

    black, red = (plate(tmp_path, "press-colour", c, "M")[..., :3].astype(int) for c in ("Black", "Barn red"))
    teal = np.array([0x2F, 0x7F, 0x86])
    assert np.abs(black - teal).max(axis=-1).min() > 40
    assert np.abs(red - teal).max(axis=-1).min() == 0


def test_an_element_named_on_a_colourway_need_be_in_one_piece_of_its_art(tmp_path: Path) -> None:
    """Front and nape carry different art; a cut-out of the front is no mistake on the nape."""
    manifest = order(art={"badge": {"file": "badge.svg"}, "dot": {"file": "dot.svg"}})
    manifest["prints"].append(
        {"name": "nape", "art": "dot", "position": "nape", "route": "direct", "width_mm": 30}
    )
    manifest["colourways"][1]["cut_out"] = ["star"]
    dot = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><circle cx="5" cy="5" r="3" fill="#fff"/></svg>'

    assert make(tmp_path, manifest, {"badge.svg": BADGE, "dot.svg": dot}) == 0
    manifest["colourways"][1]["cut_out"] = ["stra"]
    assert make(tmp_path / "again", manifest, {"badge.svg": BADGE, "dot.svg": dot}) == 3


def test_a_fabric_preview_left_in_the_art_stops_and_is_removed_on_demand(tmp_path: Path) -> None:
    """A flat rectangle in the fabric's colour under the drawing would print a solid block."""
    block = BADGE.replace("<circle", '<rect width="200" height="160" fill="#1a1a1f"/><circle', 1)
    manifest = order(colourways=[ORDER["colourways"][0], {**ORDER["colourways"][1], "near_fabric": "keep"}])
    assert make(tmp_path, manifest, {"badge.svg": block}) == 3
    held = record(tmp_path, "held/T-1-r1")
    assert "fabric-preview" in {f["code"] for f in held["findings"] if f["severity"] == "stop"}

    manifest["art"]["badge"]["preview"] = "remove"
    assert make(tmp_path, manifest, {"badge.svg": block}) == 0
    assert plate(tmp_path, "press-colour", "Black", "M")[0, 0, 3] == 0


def test_raised_saturation_leaves_neutrals_alone(tmp_path: Path) -> None:
    """Grey stays grey, teal gets more saturated (HSB saturation, common practice)."""
    manifest = order(fade={"method": "saturation", "percent": 12})
    assert make(tmp_path, manifest) == 0

    colour = plate(tmp_path, "press-colour", "Black", "M")
    height, width = colour.shape[:2]
    assert colour[round(height * 110 / 160), round(width * 145 / 200)].tolist() == [128, 128, 128, 255]
    teal = colour[height // 2, round(width * 70 / 200) + round(width * 30 / 200)]
    assert 1 - teal[:3].min() / teal[:3].max() > 1 - 0x2F / 0x86


def test_the_same_order_gives_the_same_bytes_with_any_number_of_workers(made: Path, tmp_path: Path) -> None:
    """record.json holds the digest of every file; two workers in another folder write the same one."""
    assert make(tmp_path / "elsewhere", ORDER, workers=2) == 0

    assert (tmp_path / "elsewhere/out/T-1-r1/record.json").read_bytes() == (
        made / "out/T-1-r1/record.json"
    ).read_bytes()


def test_approval_holds_an_order_with_its_proof(tmp_path: Path) -> None:
    """The customer sees the proof first where approval is required, which is the built-in shop's choice."""
    manifest = order()
    del manifest["approval"]
    assert make(tmp_path, manifest) == 3

    held = record(tmp_path, "held/T-1-r1")
    assert held["held_for"] == ["approval"]
    assert sorted({entry["role"] for entry in held["files"]}) == ["picture", "proof"]


def test_check_writes_nothing_and_answers_in_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`check --json` prints washfast-check/1 and leaves the folder as it was."""
    manifest = order()
    manifest["colourways"][0]["fabric"] = {"srgb": "#36868d"}
    del manifest["colourways"][0]["near_fabric"]
    path = hand_in(tmp_path / "in", manifest)
    before = sorted(tmp_path.rglob("*"))

    assert main(["check", str(path), "--json", "--workers", "1"]) == 3
    answer = json.loads(capsys.readouterr().out)
    assert answer["schema"] == "washfast-check/1"
    assert answer["orders"][0]["state"] == "held"
    assert "near-fabric" in {f["code"] for f in answer["orders"][0]["findings"]}
    assert sorted(tmp_path.rglob("*")) == before


def test_what_does_not_pass_postflight_is_not_published(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A plate that was written wrongly is a fault of the program, exit 1, and nothing lies in the out folder."""
    from pipeline.press import direct, png

    def write_wrong(path: Path, pixels: Any, ppi: float, **options: Any) -> None:
        png.write_png(path, pixels[:-1], ppi, **options)

    monkeypatch.setattr(direct, "write_png", write_wrong)

    assert make(tmp_path, ORDER) == 1
    assert list((tmp_path / "out").iterdir()) == []


BAD = {
    "a route that is not made yet": (
        {
            "prints": [
                {**ORDER["prints"][0], "route": "screen", "inks": [{"name": "Teal", "srgb": "#2f7f86"}]}
            ]
        },
        None,
        "not made yet",
    ),
    "missing art": ({}, {"other.svg": BADGE}, "badge.svg"),
    "art outside the folder": ({"art": {"badge": {"file": "../badge.svg"}}}, None, "leads out"),
    "unreadable art": ({}, {"badge.svg": "<svg xmlns='http://www.w3.org/2000/svg'><g>"}, "badge"),
    "a png that is none": (
        {"art": {"badge": {"file": "badge.png"}}},
        {"badge.png": b"%!PS-Adobe EPSF"},
        "badge",
    ),
    "an unknown key": ({"colorways": []}, None, "colourways"),
    "an unknown garment": ({"garment": "unisex te"}, None, "unisex tee"),
    "a size the garment has not": (
        {"colourways": [{"name": "Black", "fabric": "black", "sizes": {"9XL": 1}}]},
        None,
        "9XL",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_what_is_refused_makes_nothing_and_leaves_what_was_there(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Refusals are exit 4 with words that help; a release that stands stays as it is."""
    changes, art, word = BAD[case]
    standing = tmp_path / "out" / "T-1-r1" / "record.json"
    standing.parent.mkdir(parents=True)
    standing.write_text("what was there")

    assert make(tmp_path, order(**changes), art) == 4
    assert word in capsys.readouterr().err
    assert standing.read_text() == "what was there"
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["T-1-r1"]


def test_the_readme_names_the_exit_codes_as_they_are() -> None:
    """The table in README.md has one row for each code of the command."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")

    table = text.partition("| exit code |")[2]
    rows = [line.split("|")[1].strip() for line in table.splitlines() if line.startswith("| ")]
    assert rows == [str(int(code)) for code in ExitCode]


def test_the_readmes_least_order_is_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Copied beside the bundled crest it is planned as it stands."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (tmp_path / "order.toml").write_text(text.partition("```toml\n")[2].partition("```")[0], encoding="utf-8")
    shutil.copy(ROOT / "examples" / "kite-society" / "crest.svg", tmp_path)

    assert main(["plan", str(tmp_path / "order.toml")]) == 0
    assert "Midnight navy · front · full front · direct" in capsys.readouterr().out


def test_what_is_knocked_out_of_a_bitmap_is_told_true_on_every_size(tmp_path: Path) -> None:
    """A square of the fabric's colour in a larger one: its area by geometry, at each of three widths."""
    pixels = np.zeros((400, 400, 3), np.uint8)
    pixels[:] = 47, 127, 134
    pixels[100:300, 120:280] = 0x8F, 0x24, 0x30
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    widths = {"S": 50, "M": 60, "L": 75}
    manifest = order(
        art={"it": {"file": "it.png", "ground": "keep"}},
        prints=[{"name": "it", "art": "it", "position": "full front", "route": "direct", "width_mm": 50,
                 "by_size": {size: {"width_mm": mm} for size, mm in widths.items()}}],
        colourways=[{"name": "Barn red", "fabric": {"srgb": "#8f2430"}, "sizes": dict.fromkeys(widths, 1)}],
    )  # fmt: skip

    assert make(tmp_path, manifest, {"it.png": stream.getvalue()}) == 0

    told = {entry["sizes"][0]: entry["knocked_out_mm2"] for entry in record(tmp_path)["plates"]}
    for size, mm in widths.items():
        assert told[size] == pytest.approx(mm * mm * 0.5 * 0.4, rel=0.005)


def test_a_lost_piece_is_not_answered_by_a_swap_of_another_colour(tmp_path: Path) -> None:
    """A large shape that hardly stands out, and a small one in the fabric's own colour, which a swap does not reach."""
    art = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 160"><rect x="5" y="5" width="150" height="150" '
        'fill="#9a3040"/><rect x="170" y="20" width="6" height="6" fill="#8f2430"/></svg>'
    )
    manifest = order(
        colourways=[
            {"name": "Barn red", "fabric": {"srgb": "#8f2430"}, "sizes": {"M": 1}, "near_fabric": "keep"}
        ]
    )

    make(tmp_path, manifest, {"badge.svg": art})

    found = {finding["code"]: finding["remedy"] for finding in record(tmp_path)["findings"]}
    assert found["low-contrast"].startswith("swap")
    assert found["lost-on-fabric"].startswith("[[accept]]")
