"""The JSON of ``halfcycle retune``."""

from __future__ import annotations

from halfcycle.output.base import Entry, Finding, each, means
from halfcycle.output.design import Design
from halfcycle.retune.retune import Retuned
from halfcycle.spec.toml_text import plain_value


class Retune(Entry):
    """``halfcycle retune``"""

    before: Design = means("design of the spec as it is")
    after: Design | None = means("design at the new values; null if there is none")
    changes: dict[str, int | str | bool | None] = means(
        "spec keys that change, dotted, with their new values as text if they are fractions; null "
        "removes one"
    )
    written: bool = means("whether the spec was changed by this run")
    departure_percent: float | None = means(
        "greatest distance between the two bands of step responses over the corners, % of the step"
    )
    findings: list[Finding] = means("those about the move first, then those of the new design")

    @classmethod
    def of(cls, retuned: Retuned, *, written: bool) -> Retune:
        """A move of a spec; ``written``: whether its keys were changed."""
        return cls(
            before=Design.of(retuned.before),
            after=Design.of(retuned.after) if retuned.after else None,
            changes={
                key: None if value is None else plain_value(value)
                for key, value in retuned.values.items()
            },
            written=written,
            departure_percent=retuned.departure_percent,
            findings=each(Finding, retuned.findings),
        )
