"""The house stands: imports go downward only, and stages stay pure."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import ROOT

PACKAGE = ROOT / "pipeline"
FLOORS = (  # from the ground up; a module may import its own floor and those below
    ("faults", "finding", "raster", "colour", "memory"),
    (
        "manifest_text",
        "manifest_check",
        "raster_ops",
        "raster_runs",
        "raster_mix",
        "raster_lossy",
        "raster_kept",
        "raster_blur",
        "raster_bleed",
        "fabric",
        "art.paint",
        "soft_proof",
    ),
    (
        "order_types",
        "order_parts",
        "order_rules",
        "order",
        "shop_presses",
        "shop_parts",
        "shop_rules",
        "shop",
        "shop_lookup",
    ),
    ("art",),
    ("stages", "press", "papers", "calibrate", "wash_table"),
    ("keys", "shelf"),
    ("plan_paints", "plan_names", "plan", "plan_text"),
    ("treat", "line", "remedies", "checks", "checks_place", "alternatives", "study"),
    ("first_look", "reading", "tasks", "engine", "log", "gang"),
    ("findings_text", "work", "production", "outcome", "triage", "warm"),
    (
        "release",
        "postflight",
        "postflight_film",
        "on_film",
        "roll_files",
        "rolls",
        "estimate",
        "legible",
        "record",
        "paperwork",
        "nightpapers",
        "changes",
        "cluster",
        "again",
    ),
    ("workshop",),
    ("make",),
    ("hotfolder",),
    ("doors_hotfolder", "cli"),
)
HEAVY = {"numpy", "scipy", "PIL", "cairosvg", "reportlab", "pikepdf", "pydantic", "structlog", "distributed"}
FORBIDDEN_IN_STAGES = {
    "os",
    "pathlib",
    "time",
    "datetime",
    "logging",
    "structlog",
    "random",
    "subprocess",
    "shutil",
}


def floor(module: str) -> int:
    """Return how high up a module of the package stands; -1 for names it does not know."""
    name = module.removeprefix("pipeline.")
    best, at = -1, -1
    for level, names in enumerate(FLOORS):
        for known in names:
            if (name == known or name.startswith(f"{known}.")) and len(known) > best:
                best, at = len(known), level
    return at


def modules() -> list[tuple[str, Path]]:
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found.append((".".join(p for p in parts if p != "__init__"), path))
    return [(name, path) for name, path in found if name != "pipeline"]


def imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return names


@pytest.mark.parametrize(("name", "path"), modules(), ids=[name for name, _ in modules()])
def test_imports_go_downward_only(name: str, path: Path) -> None:
    """No module imports one that stands higher in the house."""
    assert floor(name) >= 0, f"{name} has no floor in FLOORS"
    own = {other for other in imports(path) if other.startswith("pipeline.") and floor(other) >= 0}

    assert not [other for other in own if floor(other) > floor(name)]


@pytest.mark.parametrize(
    ("name", "path"), [m for m in modules() if m[0].startswith("pipeline.stages.")], ids=str
)
def test_a_stage_knows_no_other_stage_and_no_outside_world(name: str, path: Path) -> None:
    """A stage imports no other stage, no files, no clock, no logger."""
    own = ".".join(name.split(".")[:3])
    strangers = [
        other
        for other in imports(path)
        if other.startswith("pipeline.stages.") and not f"{other}.".startswith(f"{own}.")
    ]

    assert not strangers
    assert not {other.partition(".")[0] for other in imports(path)} & FORBIDDEN_IN_STAGES


def test_a_refused_manifest_loads_no_pixels(tmp_path: Path) -> None:
    """`washfast check` of a manifest that is refused answers without numpy, renderers or PDF libraries."""
    manifest = tmp_path / "order.toml"
    manifest.write_text("order = 5\n")
    code = (
        "import sys, pipeline.cli as c; n = c.main(['check', sys.argv[1]]); print(n, ' '.join(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(manifest)], capture_output=True, text=True, check=True
    )

    said, *loaded = done.stdout.split("\n")[-2].split()
    assert said == "4"
    assert not (HEAVY - {"pydantic", "structlog"}) & set(loaded)


def test_the_command_starts_without_heavy_libraries() -> None:
    """`washfast --help` must not load renderers, numpy, PDF or schema libraries."""
    code = "import sys, pipeline.cli; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert not HEAVY & set(done.stdout.split())


def test_what_draws_is_loaded_without_starting_a_program() -> None:
    """No search for libraries runs a compiler (PEP 578 audit event subprocess.Popen): workers would wait for it."""
    code = (
        "import sys\n"
        "sys.addaudithook(lambda event, _: event == 'subprocess.Popen' and sys.exit(f'{event}'))\n"
        "from pipeline.warm import load_libraries\n"
        "load_libraries()\n"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0
