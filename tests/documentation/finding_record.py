"""A plugin of pytest that records what findings runs of the tests make:

``FINDINGS=record PYTHONPATH=tests pytest -p documentation.finding_record tests/design ...``
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from halfcycle.base.findings import Finding


def pytest_configure() -> None:
    record, made = Path(os.environ["FINDINGS"]), Finding.__init__

    def keep(self: Finding, *values: object, **named: object) -> None:
        made(self, *values, **named)  # type: ignore[arg-type]
        line = json.dumps([self.code, self.level, self.key, self.text])
        with record.open("a", encoding="utf-8") as file:
            file.write(line + "\n")

    Finding.__init__ = keep  # type: ignore[assignment, method-assign]
