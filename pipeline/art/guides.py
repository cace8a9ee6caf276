"""Names that say that a part of the art is no ink: the words people give such layers (common practice, no source)."""

from __future__ import annotations

import re

_GUIDE = re.compile(
    r"(?:^|[\s_.:-])(?:guides?|guide[\s_-]?lines?|crop[\s_-]?marks?|trim[\s_-]?(?:marks?|box)|registration(?:[\s_-]?marks?)?"
    r"|reg[\s_-]?marks?|cut[\s_-]?(?:lines?|contour)|bleed(?:[\s_-]?(?:box|line))?|safe[\s_-]?(?:area|zone)|print[\s_-]?area"
    r"|template|instructions?|notes?|do[\s_-]?not[\s_-]?print|no[\s_-]?print|non[\s_-]?printing|mock[\s_-]?up|fold[\s_-]?lines?)"
    r"(?:$|[\s_.:\d-])",
    re.IGNORECASE,
)


def is_guide(name: str) -> bool:
    """Say whether a layer or element of that name is a guide, a mark or an instruction."""
    return _GUIDE.search(name) is not None
