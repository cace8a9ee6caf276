"""Manifests are read strictly; whatever is wrong with the text is refused in words."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.faults import Refused
from pipeline.manifest_text import clean, key_path, read_manifest, refusal, shorten


def written(folder: Path, name: str, raw: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(raw.encode() if isinstance(raw, str) else raw)
    return path


@pytest.mark.parametrize(
    ("name", "raw", "told"),
    [
        ("a.yaml", "order: 1", 'must end in ".toml" or ".json"'),
        ("a.json", "{", "not well formed JSON: Expecting property name"),
        ("a.toml", "order = ?\n", "not well formed TOML: Invalid value (at line 1, column 9)"),
        ("a.toml", 'order = "a"\norder = "b"\n', "Cannot overwrite a value (at line 2"),
        ("a.json", "[1, 2]", "a list of 2; it must be one table"),
        ("a.json", "[" * 100_000, "nested deeper than 32 levels"),
        ("a.toml", "a = " + "[" * 100_000, "nested deeper than 32 levels"),
        ("a.toml", ".".join(["a"] * 500_000) + " = 1", "nested deeper than 32 levels"),
        ("a.toml", "[" + " . ".join(['"a"'] * 90_000) + "]", "nested deeper than 32 levels"),
        ("a.json", '{"a": ' + "1" * 5000 + "}", "a whole number is too long. Write"),
        ("a.toml", "a = " + "1" * 5000, "a whole number is too long. Write"),
        ("a.json", b'{"a": "\xff"}', "byte 7 is not UTF-8. Save the file again"),
        ("a.json", "{}" + " " * 2**20, "larger than 1 MiB"),
        ("a.json", "", "not well formed JSON"),
    ],
)
def test_text_that_is_not_well_formed_is_refused_in_words(
    tmp_path: Path, name: str, raw: str | bytes, told: str
) -> None:
    """Each fault names the file, says what is wrong and where, and is never another exception."""
    with pytest.raises(Refused) as caught:
        read_manifest(written(tmp_path, name, raw), "manifest")

    assert caught.value.message.startswith(f"{name}: ")
    assert told in caught.value.message
    assert caught.value.code == "manifest"


def test_what_cannot_be_opened_is_refused(tmp_path: Path) -> None:
    """A missing file, a folder, a pipe and a file without permission are refused, and a pipe does not block."""
    (tmp_path / "folder.toml").mkdir()
    os.mkfifo(tmp_path / "pipe.json")
    (tmp_path / "loop.toml").symlink_to("loop.toml")
    for name, told in (
        ("missing.toml", "no such file"),
        ("folder.toml", "is not a file"),
        ("pipe.json", "is not a file"),
        ("loop.toml", "cannot be read"),
        ("nul\0.toml", "cannot be read"),
        ("long" * 100 + ".toml", "cannot be read"),
    ):
        with pytest.raises(Refused, match=told):
            read_manifest(tmp_path / name, "shop-file")


def test_a_byte_order_mark_is_read_over(tmp_path: Path) -> None:
    """Editors that write a byte order mark do no harm, in either language."""
    assert read_manifest(written(tmp_path, "a.json", b'\xef\xbb\xbf{"a": 1}'), "manifest") == {"a": 1}
    assert read_manifest(written(tmp_path, "a.toml", b"\xef\xbb\xbfa = 1"), "manifest") == {"a": 1}


@pytest.mark.parametrize(
    ("raw", "path", "told"),
    [
        ('{"sizes": {"S": 1, "S": 2}}', "sizes.S", "given twice"),
        ('{"sizes": {"S": 1, " S": 2}}', "sizes.S", "given twice"),
        ('{"caf\\u00e9": 1, "cafe\\u0301": 2}', '"café"', "given twice"),
        ('{"a": [1, NaN]}', "a[1]", "not a number that can be measured"),
        ('{"a": -Infinity}', "a", "not a number that can be measured"),
        ('{"a": 1e999}', "a", "not a number that can be measured"),
        ('{"a": 99999999999999999999}', "a", "larger than"),
        ('{"a": "\\ud800"}', "a", "half of a character"),
        ('{"a": ' + "[" * 40 + "]" * 40 + "}", "a" + "[0]" * 31, "nested deeper"),
    ],
)
def test_what_no_field_may_hold_is_told_with_its_key_path(
    tmp_path: Path, raw: str, path: str, told: str
) -> None:
    """Doubled keys, numbers that cannot be measured and broken text are found anywhere."""
    _, problems = clean(read_manifest(written(tmp_path, "a.json", raw), "manifest"))

    assert [(key_path(p.loc), told in p.text) for p in problems] == [(path, True)]


def test_prose_with_many_dots_is_no_deep_key(tmp_path: Path) -> None:
    """Notes may hold dots, and long words cost no time."""
    text = "Fold, bag, tick off. " * 100 + "..." * 500 + "1.5, 2.5, " * 100 + "x" * 500_000
    assert read_manifest(written(tmp_path, "a.toml", f'notes = "{text}"'), "manifest") == {"notes": text}


def test_values_are_shown_short_and_on_one_line() -> None:
    """Nothing that a file holds can break a line of the report, or fill it."""
    assert shorten("a\nb\x1b[31m") == '"a\\nb\\x1b[31m"'
    assert len(shorten("x" * 10_000)) == 62
    assert shorten(10**5000) == "a whole number of 16610 bits"
    assert shorten({"a": 1}) == "a table of 1"
    assert shorten(True) == "true"
    assert shorten("\ud800") == '"\\ud800"'


def test_a_thousand_problems_are_counted_not_all_listed() -> None:
    """A report stays readable whatever is dropped."""
    _, problems = clean({f"k{i}": float("nan") for i in range(1000)})

    lines = refusal("a.json", problems, "manifest").message.splitlines()
    assert len(lines) == 101
    assert lines[-1] == "a.json: … and 900 more of the same kind."
