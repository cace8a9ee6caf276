"""Placement: how large a print is on every size and where it lies.

Figures of the trade in this file are common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.faults import Refused
from pipeline.order_parts import Print
from pipeline.shop import Shop, load_shop
from pipeline.shop_parts import KeepOut, Position
from pipeline.shop_presses import Platen, Press
from pipeline.stages.place import Placement, Spot, place

SHOP: Shop = load_shop(None)
RUN = {"XS": 2, "S": 5, "M": 9, "L": 7, "XL": 3, "2XL": 1}


def placed(
    position: str = "full front",
    *,
    garment: str = "unisex tee",
    reference: tuple[str, str] | None = None,
    press: Press | None = None,
    art: tuple[float, float] = (300, 300),
    pieces: dict[str, int] | None = None,
    change: dict[str, Any] | None = None,
    **print_: Any,
) -> tuple[Placement, ...]:
    """Place a print on a built-in garment; `change` alters the position."""
    route = print_.get("route", "direct")
    chosen = press or next(p for p in SHOP.presses.values() if p.route == route)
    made = Print.model_validate({"name": "p", "art": "a", "position": position, **print_})
    of = SHOP.garments[garment]
    spot = Spot(
        garment=of,
        position=of.positions[position].model_copy(update=change or {}),
        reference=SHOP.garments[reference[0]] if reference else of,
        reference_size=reference[1] if reference else of.reference_size,
        widest_of_half_chest=SHOP.defaults.widest_of_half_chest,
    )
    return place(made, spot, chosen, art, pieces or (RUN if garment != "youth tee" else {"YS": 1, "YM": 2}))


def widths(placements: tuple[Placement, ...]) -> dict[str, float]:
    return {size: round(p.width_mm, 1) for p in placements for size in p.sizes}


def test_one_drawing_serves_all_sizes_by_scaling() -> None:
    """280 mm at M follow the half chest: 457/508 at S, 559/508 at L, 660/508 at 2XL. Common practice, no source."""
    made = placed(width_mm=280)

    assert widths(made) == {"XS": 230.9, "S": 251.9, "M": 280.0, "L": 308.1, "XL": 336.2, "2XL": 363.8}
    assert [p.sizes for p in made] == [("XS",), ("S",), ("M",), ("L",), ("XL",), ("2XL",)]
    assert all(p.height_mm == pytest.approx(p.width_mm) and p.wanted_mm is None for p in made)


def test_pixels_are_rounded_from_mm_and_the_aspect_is_kept_in_mm() -> None:
    """width_px = round(width_mm × ppi / 25.4), height likewise: 300 mm at 300 ppi are 3543 px."""
    (made,) = placed(width_mm=300, art=(1000, 1333), pieces={"M": 1})

    assert (made.width_px, made.height_px) == (3543, round(300 * 1.333 * 300 / 25.4))
    assert made.height_mm == pytest.approx(399.9)
    assert made.ppi == 300


def test_a_height_is_scaled_as_a_width_is() -> None:
    """A print stated by its height has that height on the reference size."""
    made = placed(height_mm=280, art=(100, 200))

    assert widths(made)["M"] == 140
    assert widths(made)["S"] == pytest.approx(140 * 457 / 508, abs=0.05)


def test_fixed_positions_do_not_scale() -> None:
    """A chest print is as wide on 2XL as on S; a full front may be fixed by the order. Common practice, no source."""
    assert set(widths(placed("left chest", width_mm=95)).values()) == {95}
    assert set(widths(placed("nape", width_mm=80)).values()) == {80}
    assert set(widths(placed(width_mm=250, scale="fixed")).values()) == {250}


def test_a_left_chest_lies_on_the_viewers_right() -> None:
    """Its centre is 100 mm off the centre line, its top 190 mm under the shoulder; the right one mirrors it."""
    (left,) = placed("left chest", width_mm=90, art=(100, 50), pieces={"M": 1})
    (right,) = placed("right chest", width_mm=90, art=(100, 50), pieces={"M": 1})

    assert left.origin_mm == (55, 190)
    assert right.origin_mm == (-145, 190)
    assert left.line == "shoulder seam at the collar"


def test_chest_prints_move_outwards_on_wide_garments() -> None:
    """From 2XL up the centre lies 115 to 125 mm off the centre line. Common practice, no source."""
    (made,) = placed("left chest", width_mm=90, pieces={"2XL": 1})

    assert 115 <= made.origin_mm[0] + made.width_mm / 2 <= 125


def test_fronts_hang_from_the_collar_and_sleeves_stand_on_the_hem() -> None:
    """A front is centred 75 mm under the collar seam; a sleeve print ends above the hem: its y is negative."""
    (front,) = placed(width_mm=300, pieces={"M": 1})
    (sleeve,) = placed("left sleeve", width_mm=80, art=(80, 40), pieces={"M": 1})

    assert front.origin_mm == (-150, 75)
    bottom = SHOP.garments["unisex tee"].positions["left sleeve"].bottom_mm or 0
    assert sleeve.origin_mm == (-40, -bottom - 40)
    assert sleeve.line == "sleeve hem"


def test_shift_moves_the_print_and_nothing_else() -> None:
    """shift_mm goes to the viewer's right and down."""
    (plain,) = placed(width_mm=200, pieces={"M": 1})
    (moved,) = placed(width_mm=200, pieces={"M": 1}, shift_mm=[10, -5])

    assert moved.origin_mm == (plain.origin_mm[0] + 10, plain.origin_mm[1] - 5)
    assert moved.area_mm[:2] == (plain.area_mm[0] - 10, plain.area_mm[1] + 5)
    assert moved.width_mm == plain.width_mm


def test_a_scaled_size_is_held_in_the_press_and_told() -> None:
    """What scaling would push over the platen is held within it; the note says what was wanted and gives the line."""
    made = {p.sizes[0]: p for p in placed(width_mm=330, pieces={"M": 1, "4XL": 1})}
    held = made["4XL"]
    (finding,) = held.findings

    assert made["M"].findings == ()
    assert held.wanted_mm == pytest.approx(330 * 762 / 508)
    platen = SHOP.presses["direct-1"].platens["standard"].area_mm[0]
    assert held.width_mm == pytest.approx(platen)
    assert (finding.code, finding.severity, finding.sizes) == ("size-held", "note", ("4XL",))
    assert "495 mm wide; it is held at 406 mm" in finding.message
    assert finding.remedy == "by_size = { 4XL = { width_mm = 495 } }"


def test_scaled_prints_stay_within_65_percent_of_the_half_chest() -> None:
    """A derived size is no wider than 65 % of the garment lying flat. Common practice, no source."""
    made = placed(width_mm=345, pieces={"S": 1, "L": 1})

    assert widths(made)["S"] == pytest.approx(0.65 * 457, abs=0.06)
    assert widths(made)["L"] == pytest.approx(0.65 * 559, abs=0.06)


def test_a_stated_size_is_never_changed() -> None:
    """The reference size and by_size keep the order's width, even past the print area: the cut is found from pixels."""
    made = placed(width_mm=500, by_size={"XL": {"width_mm": 480}, "S": {"height_mm": 450}})

    assert (widths(made)["M"], widths(made)["XL"], widths(made)["S"]) == (500, 480, 450)
    (m,) = [p for p in made if p.sizes == ("M",)]
    assert m.findings == ()
    assert m.area_mm[0] > 0, "the box begins left of the print area"


def test_a_hooded_front_ends_above_the_pocket() -> None:
    """Derived sizes are held clear of the pocket; a stated size that overlaps it is left to the checks."""
    made = {
        p.sizes[0]: p
        for p in placed(width_mm=270, art=(300, 360), garment="hooded sweatshirt", pieces={"M": 1, "XL": 1})
    }
    pocket = SHOP.garments["hooded sweatshirt"].positions["full front"].keep_outs[0].area_mm

    assert made["XL"].origin_mm[1] + made["XL"].height_mm == pytest.approx(pocket[1])
    assert made["XL"].findings[0].code == "size-held"
    assert made["M"].width_mm == 270
    ((name, box),) = made["M"].keep_outs
    assert name == "pocket"
    assert box[1] < made["M"].height_mm, "the pocket reaches into the box"


@pytest.mark.parametrize(
    ("box", "art", "expected"),
    [
        ((-20, 300, 40, 50), (1, 1), 225.0),  # below: the print ends above it
        ((100, 100, 50, 50), (1, 1), 200.0),  # to the right: the print ends left of it
        ((-130, 100, 50, 50), (1, 1), 160.0),  # to the left: the print, centred, ends right of it
        ((100, 260, 50, 50), (1, 1), 200.0),  # both ways are open: the larger print is taken
        ((-20, 20, 40, 30), (1, 1), 280.0),  # above the print: in nobody's way
        ((-20, 60, 40, 100), (1, 1), 280.0),  # on the print's own upper edge: no size avoids it
    ],
)
def test_derived_sizes_are_clear_of_what_lies_on_any_side(
    box: tuple[float, float, float, float], art: tuple[float, float], expected: float
) -> None:
    """A keep-out below, beside or above the print bounds it only from where it lies."""
    keep_out = KeepOut.model_validate({"name": "zip", "area_mm": list(box)})
    (made,) = placed(
        width_mm=280 * 508 / 559, reference=("unisex tee", "M"), pieces={"L": 1}, art=art,
        change={"keep_outs": (keep_out,)},
    )  # fmt: skip

    assert made.width_mm == pytest.approx(expected)


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(sorted(SHOP.garments)),
    st.data(),
    st.floats(20, 500),
    st.floats(0.2, 4),
    st.tuples(st.floats(-40, 40), st.floats(-40, 40)),
)
def test_derived_sizes_never_leave_the_print_area(
    garment: str, data: st.DataObject, width: float, aspect: float, shift: tuple[float, float]
) -> None:
    """Whatever is asked, a size that scaling made lies in the print area and clear of keep-outs, at its own aspect."""
    of = SHOP.garments[garment]
    position = data.draw(
        st.sampled_from(sorted(n for n, p in of.positions.items() if p.scale == "with garment"))
    )
    pieces = {size: 1 for size in of.size_order if size != of.reference_size}
    for made in placed(
        position, garment=garment, width_mm=width, art=(1, aspect), pieces=pieces, shift_mm=list(shift)
    ):
        x, y, w, h = made.area_mm
        assert made.height_mm == pytest.approx(made.width_mm * aspect)
        assert made.width_mm <= 0.65 * of.sizes[made.sizes[0]].half_chest_mm + 1e-9
        assert x <= 1e-6
        assert made.width_mm <= x + w + 1e-6
        assert made.height_mm <= y + h + 1e-6
        for _, (kx, ky, kw, kh) in made.keep_outs:
            apart = (
                kx >= made.width_mm - 1e-6
                or kx + kw <= 1e-6
                or ky >= made.height_mm - 1e-6
                or ky + kh <= 1e-6
            )
            assert apart


def test_a_print_that_no_size_could_hold_keeps_its_size() -> None:
    """Shifted out of the area, a print is not shrunk to a dot: it stays, and the cut is found."""
    (made,) = placed(width_mm=200, pieces={"L": 1}, shift_mm=[300, 0])

    assert made.width_mm == pytest.approx(200 * 559 / 508)


def test_the_print_area_grows_with_the_garment_but_not_past_the_platen() -> None:
    """At XS the area is 419/508 of the reference; at 2XL it is what the platen reaches."""
    small, _, large = placed(width_mm=200, pieces={"XS": 1, "M": 1, "2XL": 1})
    area = SHOP.garments["unisex tee"].positions["full front"].area_mm

    assert small.area_mm[2] == pytest.approx(area[2] * 419 / 508)
    assert large.area_mm[2] == SHOP.presses["direct-1"].platens["standard"].area_mm[0]
    assert large.area_mm[0] + large.area_mm[2] / 2 == pytest.approx(large.width_mm / 2), "centred"


def test_a_platen_bounds_the_area_from_its_collar_line_and_centre() -> None:
    """collar_line_mm and centre_mm say where the reached rectangle lies on the garment."""
    platen = Platen.model_validate({"area_mm": [300, 400], "collar_line_mm": -60, "centre_mm": 140})
    press = SHOP.presses["direct-1"].model_copy(update={"platens": {"odd": platen}})
    (made,) = placed(width_mm=100, pieces={"M": 1}, press=press)

    x, y = made.origin_mm
    assert (made.area_mm[0] + x, made.area_mm[1] + y, *made.area_mm[2:]) == pytest.approx(
        (-140, 60, 300, 400)
    )
    assert made.platen == "odd"


def test_platens_suit_position_and_wearer() -> None:
    """A youth front goes on the youth platen, a sleeve on the sleeve platen; film needs none."""
    assert placed("left sleeve", width_mm=80, pieces={"M": 1})[0].platen == "sleeve"
    assert placed(garment="youth tee", width_mm=200)[0].platen == "youth"
    assert placed(route="transfer", width_mm=200, pieces={"M": 1})[0].platen == ""


def test_fit_fills_the_print_area_of_the_reference_size() -> None:
    """A flat print is as wide as the area allows, a tall one as high, other sizes follow."""
    (wide,) = placed("left chest", fit=True, art=(100, 20), pieces={"M": 1})
    (tall,) = placed("left chest", fit=True, art=(20, 100), pieces={"M": 1})

    assert wide.width_mm == wide.area_mm[2]
    assert tall.height_mm == pytest.approx(tall.area_mm[1] + tall.area_mm[3])
    scaled = widths(placed(fit=True, art=(100, 20)))
    assert scaled["M"] == pytest.approx(0.65 * 508, abs=0.06)
    assert scaled["S"] == pytest.approx(0.65 * 457, abs=0.06)


def test_fit_reads_the_area_of_the_reference_garment() -> None:
    """Fitted to the youth tee's YM, a print on the adult tee is that width times the ratio of the half chests."""
    (made,) = placed(fit=True, reference=("youth tee", "YM"), route="transfer", art=(1, 1), pieces={"M": 1})
    area = SHOP.garments["youth tee"].positions["full front"].area_mm[2]

    assert made.width_mm == pytest.approx(min(area, 0.65 * 457) * 508 / 457)


def test_a_width_is_meant_for_the_reference_garment() -> None:
    """200 mm on the youth YM are 200 × 508 / 457 on the adult M."""
    (made,) = placed(width_mm=200, reference=("youth tee", "YM"), pieces={"M": 1})

    assert made.width_mm == pytest.approx(200 * 508 / 457)


# --- bands


def test_screens_are_made_once_from_the_smallest_garment() -> None:
    """All sizes share one stencil, as wide as on the smallest; the note says which stated width is not used."""
    (made,) = placed(
        route="screen",
        width_mm=280,
        inks=[{"name": "Red", "srgb": "#c8102e"}],
        pieces={"S": 1, "M": 1, "XL": 0},
    )
    (finding,) = made.findings

    assert made.sizes == ("S", "M")
    assert made.width_mm == pytest.approx(280 * 457 / 508)
    assert (finding.code, finding.severity) == ("band-size", "note")
    assert "the width stated for M 280 mm is not used" in finding.message


def test_bands_of_the_manifest_come_first_then_position_then_garment_then_press() -> None:
    """Each level is asked in turn."""
    sizes = {"S": 1, "M": 1, "L": 1}
    listed = placed(width_mm=200, bands=[["M", "S"], ["L", "XL"]], pieces=sizes)
    position = placed(width_mm=200, pieces=sizes, change={"bands": {"direct": "one"}})
    press = SHOP.presses["direct-1"].model_copy(update={"bands": "one"})

    assert [p.sizes for p in listed] == [("S", "M"), ("L",)]
    assert [p.sizes for p in position] == [("S", "M", "L")]
    assert [p.sizes for p in placed(width_mm=200, pieces=sizes, press=press)] == [("S", "M", "L")]
    assert [p.sizes for p in placed(width_mm=200, bands="each size", pieces=sizes, press=press)] == [
        ("S",),
        ("M",),
        ("L",),
    ]


def test_a_width_by_size_that_a_band_cannot_use_is_told() -> None:
    """by_size counts for the smallest size of a band; elsewhere it is a warning, not silence."""
    (used,) = placed(width_mm=200, bands="one", by_size={"S": {"width_mm": 180}}, pieces={"S": 1, "L": 1})
    (lost,) = placed(width_mm=200, bands="one", by_size={"L": {"width_mm": 230}}, pieces={"S": 1, "L": 1})

    assert (used.width_mm, used.findings) == (180, ())
    assert [(f.code, f.severity) for f in lost.findings] == [("band-size", "warn")]
    assert "L 230 mm" in lost.findings[0].message


def test_sizes_without_pieces_make_no_band() -> None:
    """A size of which none is ordered is not printed, and does not set the size of a band."""
    (made,) = placed(width_mm=200, bands="one", pieces={"XS": 0, "M": 1, "L": 0})

    assert made.sizes == ("M",)
    assert made.width_mm == 200


def test_what_the_garment_or_the_bands_do_not_have_is_refused() -> None:
    """An unknown size, a size left out of the bands, a position without a platen: each says what there is."""
    with pytest.raises(Refused, match=r"no size XXL\. Its sizes: XS, S, M"):
        placed(width_mm=200, pieces={"XXL": 1})
    with pytest.raises(Refused, match=r"leave out the size L\. Add it to a band"):
        placed(width_mm=200, bands=[["S", "M"]], pieces={"M": 1, "L": 1})
    only_sleeves = {"sleeve": SHOP.presses["direct-1"].platens["sleeve"]}
    with pytest.raises(Refused, match='carries the position "full front"'):
        placed(width_mm=200, press=SHOP.presses["direct-1"].model_copy(update={"platens": only_sleeves}))


def test_single_sizes_may_have_a_place_of_their_own() -> None:
    """by_size of a position changes top, area and keep-outs on that size alone."""
    base = SHOP.garments["unisex tee"].positions["full front"].model_dump()
    own = {
        "top_mm": 60,
        "area_mm": [-100, 55, 200, 200],
        "keep_outs": [{"name": "zip", "area_mm": [-5, 300, 10, 10]}],
    }
    position = Position.model_validate({**base, "by_size": {"S": own}})
    small, large = placed(width_mm=150, pieces={"S": 1, "M": 1}, change={"by_size": position.by_size})

    assert (small.origin_mm[1], large.origin_mm[1]) == (60, 75)
    assert small.area_mm[2:] == (200, 200)
    assert [name for name, _ in small.keep_outs] == ["zip"]
    assert large.keep_outs == ()
