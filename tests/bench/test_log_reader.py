"""Reading logs: both forms, the C that prints them, and what is no log."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from halfcycle.base.errors import InputError
from halfcycle.bench.log_check import LogCheck
from halfcycle.bench.log_lines import check_byte
from halfcycle.bench.log_reader import read_log
from halfcycle.bench.log_readings import ReadingsOf
from halfcycle.bench.log_rows import LogRemarks, LogRows
from halfcycle.regulator.plan import Plan
from support.bench_logs import COLUMNS, board_log
from support.logging_c import logging_texts
from support.plan_cases import CASES, in_sets

PLAN = CASES["mean"]
GOOD = board_log(PLAN, 1.2, 0.8, [(0, 200_000), (20, 230_000)], 40, 1e-3).text(COLUMNS)
TITLES, *ROWS = GOOD.splitlines()
REVERSED = ROWS[::-1]


def read(path: Path, plan: Plan = PLAN, revision: int | None = None) -> list[LogRows]:
    return list(read_log(path, plan, LogRemarks(), revision))


def test_the_check_byte_is_the_catalogued_crc() -> None:
    """CRC-8/SMBUS of "123456789" is F4 (catalogue of parametrised CRC algorithms, from memory)."""
    assert check_byte(b"123456789") == 0xF4


@pytest.mark.parametrize(
    "text",
    [
        GOOD,
        "\ufeff" + GOOD,
        GOOD.replace("\n", "\r\n"),
        GOOD.replace("\n", "\r"),
        GOOD.replace(",", ";"),
        GOOD.replace(",", "\t"),
        GOOD.replace("\n", "\n\n"),
    ],
)
def test_spellings_of_a_table_are_the_same(tmp_path: Path, text: str) -> None:
    path, plain = tmp_path / "a.csv", tmp_path / "b.csv"
    path.write_bytes(text.encode())
    plain.write_text(GOOD)
    (wanted,) = read(plain)
    for name in ("update", "target", "rms_mv", "scale", "flags", "sum", "integral"):
        values = np.concatenate([getattr(rows, name) for rows in read(path)])
        assert values.tolist() == getattr(wanted, name).tolist()


def test_columns_may_come_in_any_order(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    lines = [line.split(",") for line in GOOD.splitlines()]
    path.write_text("\n".join(",".join(line[::-1]) for line in lines) + "\n")
    (rows,) = read(path)
    assert rows.update.tolist() == list(range(1, 41))


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("", "file", "empty"),
        ("\n\n", "file", "empty"),
        ("a,b\n1,2\n", "titles", "not a log"),
        ("update,target_mv,rms_mv,scale\n1,1,1,1\n", "flags", "no such column"),
        (GOOD.splitlines()[0] + "\n", "rows", "no row"),
        (GOOD.replace("200000", "2e5", 1), "line 2", "not a whole number"),
        (GOOD.replace("200000", "high", 1), "line 2", "not a whole number"),
        (GOOD + "41,230000\n", "line 42", "fewer than the titles"),
        (GOOD + "\n".join(GOOD.splitlines()[1:3]) + "\n", "line 42", "not in order"),
        (GOOD + GOOD.splitlines()[-1] + "\n", "line 42", "twice"),
        (GOOD + "41,230000,230000,30000,0,1,1\n", "line 42", "scale 30000 is not within"),
        (GOOD + "41,230000,230000,-1,0,1,1\n", "line 42", "scale -1 is not within"),
        ("\0" + GOOD, "file", "not a text"),
        ("\n".join([TITLES, *REVERSED, ""]), "line 3", "not in order, nor are 38 others"),
        ("update,scale\n1,1\n", "target_mv, rms_mv, flags", "no such columns"),
        ("@0001,zz\n", "rows", "check byte"),
    ],
)
def test_what_is_no_log_is_one_clear_message(
    tmp_path: Path, text: str, place: str, words: str
) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        read(path)
    assert len(caught.value.faults) == 1
    assert caught.value.faults[0].key == place and words in caught.value.faults[0].problem


@pytest.mark.parametrize(("flags", "value"), [("0X1F", 31), ("0x10", 16), ("FF", 255)])
def test_hexadecimal_flags_are_told_in_decimal(tmp_path: Path, flags: str, value: int) -> None:
    path = tmp_path / "a.csv"
    cells = ROWS[1].split(",")
    cells[TITLES.split(",").index("flags")] = flags
    path.write_text("\n".join([TITLES, ROWS[0], ",".join(cells), *ROWS[2:]]))
    with pytest.raises(InputError) as caught:
        read(path)
    (fault,) = caught.value.faults
    assert fault.key == "line 3" and f"{value}, if" in str(fault)


@pytest.mark.parametrize("cut", range(1, len(ROWS[-1]) + 1))
def test_a_log_that_was_cut_in_its_last_number_had_a_smaller_one(tmp_path: Path, cut: int) -> None:
    """Only the line end tells: every cut leaves the last line out, and says so."""
    path = tmp_path / "a.csv"
    path.write_bytes(GOOD.rstrip("\n")[: -cut + 1 or None].encode())
    remarks = LogRemarks()
    rows = list(read_log(path, PLAN, remarks))
    assert np.concatenate([each.update for each in rows]).tolist() == list(range(1, 40))
    assert remarks.unended == 41


def test_a_log_whose_last_line_ends_in_a_carriage_return_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(GOOD.replace("\n", "\r").encode())
    remarks = LogRemarks()
    assert sum(len(rows.update) for rows in read_log(path, PLAN, remarks)) == 40
    assert not remarks.unended


SEND = """
#include <stdio.h>
static void send(char c) { putchar(c); }
"""
MAIN = """
int main(void) {
    puts("boot: anything may come first");
    run(400);
    return 0;
}
"""


def printed_log(plan: Plan, folder: Path) -> str:
    """What the C of the documentation prints, compiled with the regulator of ``plan``."""
    for name, text in logging_texts(plan, SEND, MAIN).items():
        (folder / name).write_text(text)
    warnings = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic"]
    command = ["cc", *warnings, "-o", "log", "main.c", f"{plan.name}.c"]
    subprocess.run(command, cwd=folder, check=True)
    done = subprocess.run(["./log"], cwd=folder, check=True, capture_output=True, text=True)
    return done.stdout


@pytest.mark.parametrize("case", in_sets(["mean", "moving flat"], ["normalised proportional"]))
def test_the_c_of_the_page_prints_a_log_that_is_the_models(case: str, tmp_path: Path) -> None:
    plan = CASES[case]
    path = tmp_path / "log.txt"
    text = printed_log(plan, tmp_path)
    # A burst of noise on the line, and a line that was cut off.
    lines = text.splitlines()
    lines[30] = lines[30].replace(lines[30][3], "x", 1)
    lines[40] = lines[40][: len(lines[40]) // 2]
    path.write_text("\n".join(lines))
    remarks = LogRemarks()
    check, readings, gaps = LogCheck(plan), ReadingsOf(plan), 0
    for rows in read_log(path, plan, remarks, 0):
        check.feed(rows, readings.of(rows))
        gaps += int((np.diff(rows.update) != 1).sum())
    result = check.done()
    assert result.first is None, result.first
    assert remarks.bad_lines == 2 and gaps == 3  # The third: the ring was full.
    assert result.rows < 400 and result.compared > 200 and result.exact


def test_a_log_of_another_spec_is_refused_by_its_revision(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text(printed_log(PLAN, tmp_path))
    with pytest.raises(InputError, match="firmware 00000000"):
        read(path, revision=0x1234)


def test_two_logs_that_were_joined_are_named_as_such(tmp_path: Path) -> None:
    """Bug: five faults said that the titles in the middle are no whole numbers."""
    path = tmp_path / "log.csv"
    text = board_log(PLAN, 1.2, 0.8, [(0, PLAN.rated_mv)], 20).text()
    path.write_text(text + text)
    with pytest.raises(InputError, match="line 22: the titles stand here again: two logs") as told:
        read(path)
    assert len(told.value.faults) == 1


def test_digits_of_another_script_are_no_number(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("update,target_mv,rms_mv,scale,flags\n1,230000,\u0662,3,0\n")
    with pytest.raises(InputError, match=r"rms_mv .* is not a whole number"):
        read(path)


@pytest.mark.parametrize("value", [99_999_999_999, 2**31, -(2**31) - 1])
def test_a_value_that_no_32_bits_hold_is_refused(value: int, tmp_path: Path) -> None:
    """Bug: a target of 99999999999 mV was one that no update had seen."""
    path = tmp_path / "a.csv"
    rows = [f"{n},207000,207000,15000,0" for n in range(1, 6)]
    rows[3] = f"4,{value},207000,15000,0"
    path.write_text("update,target_mv,rms_mv,scale,flags\n" + "\n".join(rows) + "\n")
    with pytest.raises(InputError) as raised:
        read(path, PLAN)
    assert "line 5" in str(raised.value) and "is not within -2147483648 to 2147483647" in str(
        raised.value
    )
    path.write_text(path.read_text().replace(str(value), str(2**31 - 1)))
    assert len(read(path, PLAN)) == 1
