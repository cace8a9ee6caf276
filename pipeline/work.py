"""An order as worked on: what was planned, found, decided and made. Papers and record are written from it alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.finding import Finding
from pipeline.gang import Rolled
from pipeline.plan import Plan
from pipeline.study import Study
from pipeline.tasks import Plated


@dataclass(frozen=True, slots=True)
class Work:
    """One order, worked through.

    `inputs` maps each file to its digest, `studies` a job's key to its study, `plated` a plate's stem to its files;
    it is empty when the order is held; `rolls` are the films ganged for it. `changes` since the previous revision go by
    colourway, "" for the whole order; `declined` is why that one was sent back.
    """

    plan: Plan
    inputs: Mapping[str, str]
    studies: Mapping[str, Study]
    findings: tuple[Finding, ...]
    held_for: tuple[str, ...]
    plated: Mapping[str, Plated] = field(default_factory=dict)
    rolls: tuple[Rolled, ...] = ()
    changes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    approved_by: str = ""
    declined: str = ""
