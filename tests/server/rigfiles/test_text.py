"""YAML as the rig folder reads it: which scalars are what, and files that are not what they should be.

The rule for plain scalars follows the core schema of YAML 1.2.2, section 10.3 (from memory), and is
narrower: on, no and 4:10 are text there and here; decimals, hexadecimal and True are text only here.
Both of PyYAML's parsers must agree.
"""

from __future__ import annotations

import pytest
import yaml

from routerd.server.rigfiles import text
from routerd.server.rigfiles.text import read_document


@pytest.fixture(params=["CSafeLoader", "SafeLoader"], autouse=True)
def parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    loader = getattr(yaml, request.param, None)
    if loader is None:
        pytest.skip("PyYAML was built without libyaml here")
    monkeypatch.setattr(text, "EVENT_LOADER", loader)


Number = text.PlainNumber


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("true", True), ("false", False), ("True", "True"), ("yes", "yes"), ("on", "on"), ("no", "no"),
        ("off", "off"), ("C", "C"), ("7", 7), ("-12", -12), ("0", 0), ("007", "007"), ("0x10", "0x10"),
        ("1_000", "1_000"), ("121.5", Number("121.5")), ("1e3", Number("1e3")),
        ("4:10", "4:10"), ("1:02:30", "1:02:30"),
        ("7/8", "7/8"), ("2026-11-27", "2026-11-27"), ("'7'", "7"), ("'2.0'", "2.0"),
        ('"true"', "true"), ("=", "="),
        ("9" * 18, int("9" * 18)), ("9" * 5000, "9" * 5000), ("|\n  a\n  b", "a\nb\n"), ("F#4", "F#4"),
    ],
)  # fmt: skip
def test_a_scalar_is_read_as_it_is_meant(written: str, value: object) -> None:
    document = read_document("f", f"key: {written}\n".encode())
    assert document.problems == []
    assert document.data == {"key": value}
    assert type(document.data["key"]) is type(value)


def test_lines_of_keys_and_items() -> None:
    document = read_document("f", b"# first\na: 1\n\nb:\n  - x\n  # no\n  - {c: 2,\n     d: 3}\n")
    assert document.lines == {
        (): 2, ("a",): 2, ("b",): 4, ("b", 0): 5, ("b", 1): 7, ("b", 1, "c"): 7, ("b", 1, "d"): 8,
    }  # fmt: skip
    assert document.line(("b", 1, "missing")) == 7


def test_a_byte_order_mark_at_the_start_does_no_harm() -> None:
    document = read_document("f", b"\xef\xbb\xbftitle: x\r\nkey: y\r\n")
    assert (document.problems, document.data) == ([], {"title": "x", "key": "y"})


@pytest.mark.parametrize(
    ("raw", "remedy"),
    [
        (b"\x7fELF\x02\0\0\0\xff\xfe", "put a YAML text file here"),
        (b"a: 1\nb: \xff\n", "save the file as UTF-8"),
        ("a: 1\n".encode("utf-16"), "save it as UTF-8"),
        (b"a: 1\nb: \x07\n", "remove it"),
    ],
)
def test_what_is_no_text_is_told_with_what_to_do(raw: bytes, remedy: str) -> None:
    (problem,) = read_document("f", raw).problems
    assert remedy in str(problem)


BROKEN = [
    (b"", 1, "the file is empty"),
    (b"# only a comment\n", 1, "the file is empty"),
    (b"---\n", 1, "the file has no content"),
    (b"\x7fELF\x02\0\0\0\xff\xfe", 1, "this is not a text file"),
    (b"a: 1\nb: \xff\n", 2, "a character that is not UTF-8"),
    ("a: 1\n".encode("utf-16"), 1, "UTF-16"),
    (b"a: 1\nb: \x07\n", 2, "invisible character (U+0007)"),
    ("a: 1\nb: x\u2028y\n".encode(), 2, "invisible character (U+2028)"),
    ("a: 1\n\ufeffb: 2\n".encode(), 2, "invisible character (U+FEFF)"),
    (b"a:\n\t- x\n", 2, "indented with a tab"),
    (b"a: 1\n\tb: 2\n", 2, "indented with a tab"),
    (b"a: b: c\n", 1, "'b: c' has a ':' in it and no quotes"),
    (b"a: 1\n  b: 2\n", 2, "a ':' too many"),
    (b"a: 1\nb\nc: 2\n", 2, "a key has no ':'"),
    (b"a: 1\nb: 'x\nc: 2\n", 2, "a quote is opened"),
    (b'a: "x\n', 1, "a quote is opened"),
    (b"a: 1\nb: [1, 2\nc: 2\n", 2, "a bracket is opened"),
    (b"a: 1\nb: {c: 2\n", 2, "a bracket is opened"),
    (b"a: {b: 1, c: 2\nd: 3\n", 1, "a bracket is opened"),
    (b"a:\n  - {b: Tune: by ear, c: d}\n", 2, "'Tune: by ear' has a ':' in it and no quotes"),
    (b"a: {b: 10:30, c: Part A: 1}\n", 1, "'Part A: 1' has a ':' in it"),
    (b"a: [x, one: two: three]\n", 1, "'two: three' has a ':' in it"),
    (b"a: @x\n", 1, "YAML keeps for itself"),
    (b'a: 1\nb: "\\q"\n', 2, "a backslash"),
    (b"a: - b\n", 1, "a list begins on the line of its key"),
    (b"a: 1\n- b\n", 2, "does not fit the lines above"),
    (b"a:\n  - x\n - y\n", 3, "does not fit the lines above"),
    (b"a: > x\n", 1, "'|' or '>'"),
    (b"a: 1\nb: &x 2\n", 2, "'&x' is an anchor"),
    (b"a: 1\nb: *x\n", 2, "'*x' is an alias"),
    (b"a: 1\nb: !!int 2\n", 2, "'!!int' is a tag"),
    (b"a: 1\nb: !!python/object/apply:os.system [x]\n", 2, "is a tag"),
    (b"a: 1\na: 2\n", 2, "'a' is written twice (first in line 1)"),
    (b"a:\n  b: 1\n  c: 2\n  b: 3\n", 4, "'b' is written twice (first in line 2)"),
    (b"a:\n", 1, "'a' has no value"),
    (b"a: ~\n", 1, "'a' has no value"),
    (b"? [a]\n: 1\n", 1, "a key must be one word"),
    (b"a: 1\n---\nb: 2\n", 2, "a second document"),
    (b"a: " + b"[" * 30 + b"]" * 30, 1, "nested more than"),
    (b"[" * 900_000, 1, "nested more than"),
    (b"- " * 400_000, 1, "nested more than"),
    (b"a: [" + b"x," * 60_000 + b"]", 1, "more than 50000 values"),
    (b"a: " + b"x" * 1_000_000, 1, "larger than 1 MB"),
]  # fmt: skip


@pytest.mark.parametrize(("raw", "line", "what"), BROKEN)
def test_a_broken_file_is_told_by_its_line(raw: bytes, line: int, what: str) -> None:
    (problem,) = read_document("f", raw).problems
    assert what in problem.what
    assert problem.line == line


def test_aliases_that_would_multiply_are_refused_at_once() -> None:
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 20)]
    document = read_document("f", "\n".join(rows).encode())
    assert document.problems[0].what == "'&a0' is an anchor"
    assert len(document.lines) < 300
