"""The orders that the benchmark makes: fabrics × widths of one print, every question answered beforehand."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

SIZES = ("XS", "S", "M", "L", "XL", "2XL", "3XL", "4XL")
ANSWERED = ("low-resolution", "thin-line", "thin-gap", "all-knocked-out", "renderers-disagree")
COTTON = "[washes.direct.fibres.cotton]\nk = [{k}, {k}, {k}]\nf = [0.1, 0.1, 0.1]\n"


def write_order(
    folder: Path,
    art: Path,
    fabrics: Sequence[str],
    widths: Sequence[str],
    *,
    revision: int = 1,
    fade: str = "",
    swaps: Mapping[int, tuple[str, str]] | None = None,
) -> Path:
    """Write an order of one print: a colourway a fabric, a size a width in inches. Returns the manifest.

    `fade` is its method, "" for the shop's; `swaps` gives colourways, by number, another colour in place of one.
    """
    folder.mkdir(parents=True)
    file = f"art{art.suffix.lower()}"
    shutil.copyfile(art, folder / file)
    sizes = SIZES[: len(widths)]
    stated = [f"{s} = {{ width_mm = {float(w) * 25.4:.3f} }}" for s, w in zip(sizes, widths, strict=True)]
    lines = [
        'order = "BENCH"',
        f"revision = {revision}",
        'approval = "not needed"',
        'garment = "unisex tee"',
        f'art = {{ it = {{ file = "{file}", preview = "keep", ground = "keep", near_fabric = "keep" }} }}',
        *([f'fade = {{ method = "{fade}" }}'] if fade else []),
        "[[prints]]",
        'name = "front"',
        'art = "it"',
        'position = "full front"',
        f"width_mm = {float(widths[0]) * 25.4:.3f}",
        "cut_ok = true",
        f"by_size = {{ {', '.join(stated)} }}",
    ]
    for number, fabric in enumerate(fabrics):
        lines += ["[[colourways]]", f'name = "{fabric}"', f'fabric = {{ srgb = "{fabric}" }}']
        lines.append(f"sizes = {{ {', '.join(f'{size} = 1' for size in sizes)} }}")
        if swaps and number in swaps:
            lines.append('swap = [{{ from = "{}", to = "{}" }}]'.format(*swaps[number]))
    for code in ANSWERED:
        lines += ["[[accept]]", f'code = "{code}"', 'by = "bench"', 'why = "time, not quality, is measured"']
    manifest = folder / "order.toml"
    manifest.write_text("\n".join(lines) + "\n", "utf-8")
    return manifest


def write_shop(path: Path, k: float) -> Path:
    """Write a shop file whose cotton loses colour at the rate `k` a wash."""
    path.write_text(COTTON.format(k=k), "utf-8")
    return path
