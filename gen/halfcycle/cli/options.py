"""Options that several commands take."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from halfcycle.cli.numbers import Whole
from halfcycle.verify import compare


def stimulus_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """``--samples`` and ``--seed`` of the comparison of the C with the model."""
    samples = click.option(
        "--samples",
        metavar="N",
        type=Whole(1, 10**10),
        default=compare.DEFAULT_SAMPLES,
        show_default=True,
        help="Samples to compare, at least.",
    )
    seed = click.option(
        "--seed",
        metavar="N",
        type=Whole(0, 2**32 - 1),
        default=compare.DEFAULT_SEED,
        show_default=True,
        help="Seed of the stimulus.",
    )
    return samples(seed(command))
