"""TIFF: the directory read and judged here (TIFF 6.0), the strips decoded by Pillow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.art import pillow
from pipeline.art.exif import ORIENTATION, Tags, read_directories
from pipeline.art.piece import Limits
from pipeline.art.refusal import check_pixels, unreadable
from pipeline.art.samples import CHANNELS, Samples, Space, to_8_bit
from pipeline.finding import Finding

SPACES: dict[int, Space] = {0: "grey", 1: "grey", 2: "rgb", 3: "rgb", 5: "cmyk", 6: "rgb", 8: "lab"}
PALETTE = 3
LOSSY = (6, 7, 34892, 50001)
READ: dict[tuple[Space, int], tuple[bool, ...]] = {
    **{("grey", depth): (False,) for depth in (1, 2, 4, 16)},
    ("grey", 8): (False, True),
    ("rgb", 8): (False, True),
    ("rgb", 16): (False, True),
    ("cmyk", 8): (False,),
    ("cmyk", 16): (False,),
    ("lab", 8): (False,),
}
"""Which depths are read without and with (True) transparency."""
SAVE = "Flatten it and save it as 8-bit RGB, with transparency if needed, as TIFF or PNG."


@dataclass(frozen=True, slots=True)
class Layout:
    """How the samples of one page are laid out; `extra` is the meaning of the extra sample, if there is one."""

    width: int
    height: int
    photometric: int
    bits: int
    samples: int
    extra: int | None
    orientation: int

    @property
    def space(self) -> Space:
        """The colour space of the samples."""
        return SPACES[self.photometric]


def decode(data: bytes, name: str, limits: Limits) -> Samples:
    """Read a TIFF of one page; raises Refused for layouts whose meaning would be a guess."""
    try:
        pages = read_directories(data)
    except ValueError as error:
        raise unreadable(
            name, f"the TIFF is damaged ({error}).", "Copy or download the file again."
        ) from error
    full = [tags for tags in pages if not _number(tags, 254, 0) & 5]
    if len(full) != 1 or full[0] is not pages[0]:
        raise unreadable(
            name, f"the TIFF has {len(full)} pages.", "Save the one that is to be printed on its own."
        )
    tags = full[0]
    width, height = _number(tags, 256, 0), _number(tags, 257, 0)
    check_pixels(name, width, height, limits.pixels)
    layout = _layout(tags, name)
    colour, alpha = _samples(data, layout, tags, name)
    profile = tags.get(34675)
    return Samples(
        colour=colour,
        space=layout.space,
        alpha=None if alpha is None else to_8_bit(alpha),
        profile=None if profile is None else bytes(profile),
        lossy=_number(tags, 259, 1) in LOSSY,
        findings=(_layers(name),) if 37724 in tags else (),
    )


def _number(tags: Tags, tag: int, default: int) -> int:
    value = tags.get(tag)
    return default if not value else int(value[0])


def _layout(tags: Tags, name: str) -> Layout:
    """Judge what the samples mean before anything is decoded."""
    photometric = _number(tags, 262, -1)
    bits = set(tags.get(258) or (1,))
    samples = _number(tags, 277, 3 if photometric == 6 else 1)
    extra = tuple(tags.get(338) or ())
    if (
        photometric not in SPACES
        or len(bits) != 1
        or set(tags.get(339) or (1,)) != {1}
        or _number(tags, 332, 1) != 1
    ):
        what = f"its samples are of a kind that is not read (photometric {photometric}, bits {sorted(bits)})."
        raise unreadable(name, what, SAVE)
    plain = 1 if photometric == PALETTE else CHANNELS[SPACES[photometric]]
    if samples != plain + len(extra) or (extra and extra not in ((1,), (2,))):
        many = max(samples - plain, len(extra))
        what = (
            f"it has {many} extra channel(s) beside its colours (spot colours or masks), which would be lost."
        )
        raise unreadable(name, what, SAVE)
    space, depth = SPACES[photometric], bits.pop()
    fits = not extra and depth <= 8 if photometric == PALETTE else bool(extra) in READ.get((space, depth), ())
    if not fits:
        raise unreadable(
            name, f"{depth}-bit {space} {'with' if extra else 'without'} transparency is not read.", SAVE
        )
    return Layout(
        width=_number(tags, 256, 0),
        height=_number(tags, 257, 0),
        photometric=photometric,
        bits=depth,
        samples=samples,
        extra=extra[0] if extra else None,
        orientation=_number(tags, ORIENTATION, 1),
    )


def _samples(data: bytes, layout: Layout, tags: Tags, name: str) -> tuple[NDArray[Any], NDArray[Any] | None]:
    """Return colour (H, W, n) and straight alpha (H, W), upright: Pillow turns TIFF as its orientation says."""
    size = (layout.width, layout.height)
    if layout.orientation in (5, 6, 7, 8):
        size = size[::-1]
    if layout.bits == 16 and layout.samples > 1:
        values: NDArray[Any] = pillow.load_16_bit(data, "TIFF", size, name)
        if layout.extra == 1:
            values = _unassociated(values)
    else:
        values, mode = pillow.load(data, "TIFF", size, name)
        values = values.reshape(size[1], size[0], -1)
        if mode == "1":
            values = values.astype(np.uint8) * 255
        elif mode.startswith("I;16"):
            values = values.astype(np.uint16)
            values = 65535 - values if layout.photometric == 0 else values
        elif mode == "La":
            values = _unassociated(values)
    if layout.photometric == PALETTE:
        return _from_palette(values[..., 0], layout, tags, name), None
    plain = CHANNELS[layout.space]
    if values.dtype not in (np.uint8, np.uint16) or values.shape[2] != plain + (layout.extra is not None):
        raise unreadable(name, "the TIFF decodes to something other than its header says.", SAVE)
    return values[..., :plain], None if layout.extra is None else values[..., plain]


def _unassociated(values: NDArray[Any]) -> NDArray[Any]:
    """Divide colour by alpha (TIFF 6.0, ExtraSamples 1), rounded to the nearest level."""
    full = 255 if values.dtype == np.uint8 else 65535
    out = values.copy()
    soft = (values[..., -1] > 0) & (values[..., -1] < full)
    alpha = values[soft][:, -1:].astype(np.uint64)
    colour = (values[soft][:, :-1].astype(np.uint64) * full + alpha // 2) // alpha
    out[soft, :-1] = np.minimum(colour, full).astype(values.dtype)
    return out


def _from_palette(index: NDArray[Any], layout: Layout, tags: Tags, name: str) -> NDArray[np.uint8]:
    table = tags.get(320) or ()
    if len(table) != 3 * 2**layout.bits:
        raise unreadable(name, "the palette of the TIFF does not fit its depth.")
    # The high byte: writers fill 16 bits from 8 either by ×257 or by ×256.
    palette = (np.array(table, np.uint16) >> 8).astype(np.uint8).reshape(3, -1).T
    return np.asarray(palette[index])


def _layers(name: str) -> Finding:
    return Finding(
        code="hidden-content",
        severity="note",
        message=f"{name} holds layers; its flattened picture is printed, as it shows when opened.",
        remedy="Nothing to do if the picture on the proof is right.",
        art=name,
    )
