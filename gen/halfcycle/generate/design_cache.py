"""Designs kept in the user's cache: most commands start from the design of a spec seen before.

The key is the digest of all that a design depends on: the tool itself, the machine, the spec's
values, and which of them were left to defaults. A refusal is kept like a design. An entry is a
pickle, which runs code if it is not what was put there; it is trusted like the compiled programs
beside it (``halfcycle.base.cache``): this user alone can have written it.
"""

from __future__ import annotations

import hashlib
import json
import pickle
from collections.abc import Callable
from typing import TypeVar

from halfcycle.base.cache import Cache
from halfcycle.base.errors import RefusedError
from halfcycle.base.tool_digest import machine, tool_digest
from halfcycle.spec.models import Spec

DESIGNS = Cache("designs", max_entries=300)

Result = TypeVar("Result")


def kept(stage: str, spec: Spec, work: Callable[[], Result]) -> Result:
    """The result of ``work``, which is a ``stage`` of this spec's design, from the cache if it is
    there.

    Raises what ``work`` raises; RefusedError without doing the work again.
    """
    key = _key(stage, spec)
    content = DESIGNS.get(key)
    if content is None:
        try:
            result: Result | RefusedError = work()
        except RefusedError as error:
            result = error
        DESIGNS.put(key, pickle.dumps(result))
    else:
        result = pickle.loads(content)
    if isinstance(result, RefusedError):
        raise result
    return result


def _key(stage: str, spec: Spec) -> str:
    left_out = [key for key, _ in spec.defaulted()]
    recipe = [tool_digest(), machine(), stage, spec.canonical(), left_out]
    return hashlib.sha256(json.dumps(recipe).encode()).hexdigest()
