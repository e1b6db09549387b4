"""The results of checks as JUnit XML, which CI systems show; no clock in it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from halfcycle.base.state import State
from halfcycle.check.checks import Check

MARK = b'<testsuite name="halfcycle check '
"""In every file that ``junit`` makes."""


def junit(suites: Sequence[tuple[str, Sequence[Check]]]) -> str:
    """The checks of each spec, by its name, as the text of a JUnit file."""
    import junitparser  # noqa: PLC0415

    document = junitparser.JUnitXml()
    for name, checks in suites:
        document.add_testsuite(_suite(name, checks))
    to_bytes: Callable[[], bytes] = document.tostring
    return to_bytes().decode("utf-8")


def _suite(name: str, checks: Sequence[Check]) -> Any:
    import junitparser  # noqa: PLC0415

    suite = junitparser.TestSuite(f"halfcycle check {name}")
    results = {State.FAILED: junitparser.Failure, State.ERROR: junitparser.Error}
    for check in checks:
        case = junitparser.TestCase(check.name, classname=f"halfcycle.{name}")
        if check.state in results:
            first, _, rest = check.detail.partition("\n")
            result = results[check.state](first)
            result.text = rest or first
            case.result = [result]
        elif check.state is State.SKIPPED:
            case.result = [junitparser.Skipped(check.detail)]
        suite.add_testcase(case)
    return suite
