"""The reference page of the C interface, written from a generated header: its own comments."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from documentation.reference import MADE
from documentation.tables import table
from support.paths import DOCS, EXAMPLES

EXAMPLE = "quay_kiosk"
"""It has every call: the oscillator's too."""
MEASURED = "tram_shelter"
BARE = {
    "NAME_REVISION": "First eight digits of the spec's digest, the same in header and source.",
    "NAME_RATED_MV": "Rated output, millivolts RMS.",
    "NAME_TARGET_MAX_MV": "Greatest target, millivolts RMS.",
}
"""Macros that have no comment in the header."""
_LEVELS = re.compile(r"^ \*     NAME_(.+?)  +(.+)$")
_MACRO = re.compile(
    r"^#define (NAME_\w+)(?:\(\))?(?: ([^/\n]+?))?(?: /\* (.+) \*/)?$", re.MULTILINE
)
_MEMBER = re.compile(r"^    (\w+) (\w+); /\* (.+) \*/$", re.MULTILINE)
_BUS = re.compile(r"NAME_bus`|NAME_bus\(|BUS_LOST`")
_LISTED = re.compile(r"\n \* {10,}(?=\S)")
"""Between the lines of an explanation in a list of the banner."""
_BESIDE = re.compile(r"^((?:#define |    )[^\n]*/\*(?:(?!\*/)[^\n])*)\n +", re.MULTILINE)
"""The first line of a comment beside code that goes on in the next one."""
_CALL = re.compile(r"/\* ([^*]+?) \*/\n(?:NAME_FAST )?(\w+ +NAME_\w+\([^;]+\));")


def page() -> str:
    """Calls, flags, macros, and who may call what from where."""
    header = _unfolded((EXAMPLES / EXAMPLE / f"{EXAMPLE}.h").read_text(encoding="utf-8"))
    text = "".join(_parts(header.replace(EXAMPLE.upper(), "NAME").replace(EXAMPLE, "NAME")))
    return re.sub(r"\n{3,}", "\n\n", text)


def _parts(header: str) -> Iterator[str]:
    yield f"""# The C interface

{MADE}
`NAME` is the spec's `name`. The header that `generate` writes has the same, with the numbers of
your spec. The numbers here are those of [{EXAMPLE}](../examples/{EXAMPLE}.toml), which has all
calls except that of a measured bus.
[Put it in a firmware project](../how-to/use-in-firmware.md) shows the calls in use, and
[three layouts](../how-to/lay-out-the-interrupts.md) of interrupts keep to the rules below.

## Calls

"""
    yield _calls(header)
    yield """
## Who may call what from where

The table is for one core. Another core may call only `NAME_read`, `NAME_scale`, `NAME_rms_mv` and
`NAME_flags`, with `NAME_FENCE` as the barrier on both cores. `NAME_drive` and `NAME_duty` have no
barrier and read once: call them on the core of `NAME_update`, which must not interrupt them.

A reader that is overtaken by two hand-overs within its call reads again. It could get half of one
value and half of another only if two more come during that second read, or 256 during the first.
`NAME_read` detects even that, and returns 0 if it was overtaken four times.

"""
    yield _levels(header)
    yield f"""
## Flags

{_flags(header)}
`NAME_flags` and `NAME_read` both give the flags of the last update. `latched` in
`struct NAME_reading` has each flag that was set since `NAME_clear` was called for it.

## What NAME_read gives

{table(("member", "type", "meaning"), _members(header))}
## Macros

{table(("macro", "here", "meaning"), _macros(header))}
## The normalised law

With `loop.law = "normalised"` the calls are the same, and there is one more macro: a target below
`NAME_TARGET_MIN_MV` millivolts counts as 0. `NAME_set_target_mv` hands over the target with its
inverse, both in the slot that its sequence names, and stores the sequence last. `NAME_update` reads
the sequence, the pair and the sequence again. If two targets came in between, it uses the pair of
the update before, and the next update takes the newest. The inverse is made without division, in
one step for each of its digits: 16 at most.

## If the bus is measured

This needs a `[bus_sensor]` in the spec; the numbers are those of
[{MEASURED}](../scenarios/{MEASURED}.toml).
[Measure the bus](../how-to/measure-the-bus.md) says what it does.

{_more(_calls)}
{_more(_levels)}
{_more(_flags)}
`NAME_scale` then refers to the nominal bus, and goes up to `NAME_SCALE_MAX` times the highest bus
over the nominal one.

## Lifetimes

- Keep one `struct NAME_state` for each phase or output, and one `struct NAME_turn` for each
  frequency, in RAM as long as they are used. There is no other state: no heap, no global.
- A struct of zeros is not ready: call `NAME_reset` first, and `NAME_turn_reset`.
- The fields are private. They are in the header only so that the compiler knows the size,
  and change without notice; the calls change only with `NAME_INTERFACE_VERSION`.
- The tables are constants, in flash if the compiler puts constants there.
"""


def _unfolded(header: str) -> str:
    """A header whose comments in lists and beside code are one line each."""
    header = _LISTED.sub(" ", header)
    while _BESIDE.search(header):
        header = _BESIDE.sub(r"\1 ", header)
    return header


def _more(part: Callable[[str], str]) -> str:
    """The rows that the header of a measured bus has for it."""
    own = _unfolded((DOCS / "scenarios" / MEASURED / f"{MEASURED}.h").read_text(encoding="utf-8"))
    own = own.replace(MEASURED.upper(), "NAME").replace(MEASURED, "NAME")
    first, head, line, *rows = part(own).splitlines(keepends=True)
    return "".join([first, head, line, *(row for row in rows if _BUS.search(row))])


def _calls(header: str) -> str:
    rows = []
    for comment, prototype in _CALL.findall(header):
        text = " ".join(line.strip(" *") for line in comment.splitlines())
        rows.append((f"`{prototype}`", re.sub(r"NAME_\w+", r"`\g<0>`", text)))
    assert len(rows) == len(
        re.findall(r"^[^ *#/\n][^;{]*\bNAME_\w+\([^;]*\);$", header, re.MULTILINE)
    )
    return table(("call", "what it does"), rows)


def _levels(header: str) -> str:
    rows = []
    for line in header.splitlines():
        found = _LEVELS.match(line)
        if found:
            calls = ", ".join(
                f"`NAME{part if part.startswith('_') else f'_{part}'}`"
                for part in found[1].split(", ")
            )
            rows.append((calls, re.sub(r"NAME_\w+", r"`\g<0>`", found[2])))
    return table(("call", "from where"), rows)


def _flags(header: str) -> str:
    found = [
        (name, value, meaning)
        for name, value, meaning in _MACRO.findall(header)
        if "_FLAG_" in name
    ]
    return table(
        ("flag", "value", "set if"),
        [(f"`{name}`", f"`{value}`", meaning) for name, value, meaning in found],
    )


def _members(header: str) -> list[tuple[str, str, str]]:
    body = header.partition("struct NAME_reading {")[2].partition("};")[0]
    return [(f"`{name}`", f"`{kind}`", meaning) for kind, name, meaning in _MEMBER.findall(body)]


def _macros(header: str) -> list[tuple[str, str, str]]:
    rows = []
    for found in _MACRO.finditer(header):
        name, value, meaning = found.groups()
        if "_FLAG_" in name or name == "NAME_H":
            continue
        before = re.search(r"\n/\* ([^*]+) \*/\n(?:#ifndef \w+\n)?$", header[: found.start()])
        text = meaning or (before[1] if before else BARE[name])
        rows.append((f"`{name}`", f"`{value}`" if value else "empty", " ".join(text.split())))
    return rows
