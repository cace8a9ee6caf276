"""What a check says: a value, returned and collected, never raised."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

Severity = Literal["stop", "warn", "note"]
SEVERITIES: tuple[Severity, ...] = ("stop", "warn", "note")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a check found.

    `code` is kebab case and keeps its meaning for ever. `measured` and `limit` are numbers in the unit that
    the message names, or short texts. `where_mm` is (x, y, width, height) in mm from the upper left corner of the
    print's box, when the place is known; what the drawing's own edge cuts off lies outside the box. `swap` and the
    like in `remedy` are manifest lines to paste. `picture` names a PNG that shows the place, "" where there is none;
    `legend` says which of its parts is which.
    """

    code: str
    severity: Severity
    message: str
    remedy: str
    art: str | None = None
    print: str | None = None
    colourways: tuple[str, ...] = ()
    sizes: tuple[str, ...] = ()
    measured: float | str | None = None
    limit: float | str | None = None
    where_mm: tuple[float, float, float, float] | None = None
    picture: str = ""
    legend: str = ""

    @property
    def told(self) -> str:
        """The message, and what its picture shows where there is one."""
        return f"{self.message} {self.legend}" if self.picture and self.legend else self.message

    def at(
        self,
        *,
        art: str | None = None,
        print: str | None = None,
        colourways: tuple[str, ...] = (),
        sizes: tuple[str, ...] = (),
    ) -> Finding:
        """Return the finding with its place filled in where it was left open."""
        return replace(
            self,
            art=self.art or art,
            print=self.print or print,
            colourways=self.colourways or colourways,
            sizes=self.sizes or sizes,
        )

    def answered(self, by: str) -> Finding:
        """Return it as a note: somebody decided, and `by` says who and why."""
        return replace(self, severity="note", message=f"{self.message} {by}")

    def as_json(self) -> dict[str, Any]:
        """Return the finding in the form of record.json."""
        return {
            "code": self.code,
            "severity": self.severity,
            "art": self.art,
            "print": self.print,
            "colourways": list(self.colourways),
            "sizes": list(self.sizes),
            "measured": self.measured,
            "limit": self.limit,
            "where_mm": None if self.where_mm is None else [round(v, 2) for v in self.where_mm],
            "message": self.told,
            "remedy": self.remedy,
            "picture": self.picture or None,
        }
