"""What the wheel carries, and what the lock files promise."""

from __future__ import annotations

import re
import subprocess
import sys
import zipfile

import pytest

from tests.conftest import ROOT


@pytest.fixture(scope="module")
def wheel_names(tmp_path_factory):
    """Names in the wheel that the declared build backend makes from this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    code = f"import hatchling.build; print(hatchling.build.build_wheel({str(folder)!r}))"
    name = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True, text=True)
    with zipfile.ZipFile(folder / name.stdout.split()[-1]) as wheel:
        return wheel.namelist()


def test_the_wheel_carries_what_the_program_reads(wheel_names):
    """Shop file, examples, fonts and the command are in the wheel under the package."""
    assert "pipeline/_data/manifests/shop.toml" in wheel_names
    assert any(re.fullmatch(r"pipeline/_data/examples/.+/.+\.toml", name) for name in wheel_names)
    assert any(name.endswith(".ttf") for name in wheel_names)
    assert "pipeline/cli.py" in wheel_names


def test_the_wheel_carries_nothing_else(wheel_names):
    """No tests, no scripts, no compiled files; one top-level package."""
    tops = {name.split("/")[0] for name in wheel_names}

    assert {top for top in tops if not top.endswith(".dist-info")} == {"pipeline"}
    assert not [name for name in wheel_names if name.endswith(".pyc")]


@pytest.mark.parametrize("lock", ["requirements.txt", "requirements-dev.txt"])
def test_every_locked_version_has_hashes_and_no_place(lock):
    """A lock names versions and hashes (pip's hash-checking mode) and no index, address or folder."""
    text = (ROOT / "ops" / lock).read_text("utf-8")
    blocks = re.split(r"\n(?=\S)", text.strip())

    assert len(blocks) > 30
    for block in blocks:
        assert re.match(r"[a-z0-9.-]+==\S+", block), block.splitlines()[0]
        assert "--hash=sha256:" in block, block.splitlines()[0]
    assert not re.search(r"://|--(extra-)?index|--find-links|file:|/", text)


def test_the_two_locks_agree():
    """What the tests run with is what runs."""

    def versions(lock):
        return set(re.findall(r"^([a-z0-9.-]+==\S+)", (ROOT / "ops" / lock).read_text("utf-8"), re.MULTILINE))

    assert versions("requirements.txt") <= versions("requirements-dev.txt")
