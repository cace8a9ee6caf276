"""Plain rows, as pieces are laid by hand: from left to right in the order given, each row as high as its highest."""

from __future__ import annotations

from pipeline.stages.impose.job import Job, Spot, spot_of


def rows(job: Job) -> list[Spot]:
    """Return every rectangle in plain rows, upright where it fits so."""
    spots: list[Spot] = []
    x = y = high = part = 0
    for number, kind in enumerate(job.kinds):
        width, height, turn = kind.sides[0]
        for _ in range(kind.count):
            if x + width > job.width:
                x, y, high = 0, y + high, 0
            if y + height > job.longest:
                x, y, high, part = 0, 0, 0, part + 1
            spots.append(spot_of(number, x, y, turn, part))
            x, high = x + width, max(high, height)
    return spots
