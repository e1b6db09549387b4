"""The reference pages, written from the code: commands, spec keys, JSON, findings."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import click
from pydantic_core import PydanticUndefined

from documentation.tables import table
from halfcycle.base import exact
from halfcycle.cli import COMMANDS, cli
from halfcycle.output.schema import OUTPUTS, schema
from halfcycle.spec.envelopes import DEFAULT, ENVELOPES, Covers, Envelope, Points
from halfcycle.spec.kinds import Choice, Flag, Name, Quantity, Several, Whole
from halfcycle.spec.models import Spec, Table

MADE = "<!-- Made from the code by: python tests/accept.py docs -->\n"


def spec_page() -> str:
    """Every key of the spec file."""
    text = f"""# Spec keys

{MADE}
The spec is a TOML file. Numbers are taken exactly as they are written; a fraction without a finite
decimal goes in a string: `frequency_hz = "50/3"`. A key with a default may be left out, an unknown
key is a fault, and all faults of a file are reported at once. `halfcycle start NAME` writes a spec
with every key.

An editor that supports JSON Schema can complete and check keys with
[spec.schema.json](../../gen/halfcycle/spec/spec.schema.json).
"""
    name = Spec.model_fields["name"]
    head = ("key", "meaning", "range", "default")
    text += table(head, [("`name`", name.metadata[0].about, "C identifier", "none")])
    for key, field in Spec.model_fields.items():
        model = _model(field.annotation)
        if model is None:
            continue
        about = (model.__doc__ or "").split("\n")[0]
        left_out = " The table may be left out." if not field.is_required() else ""
        text += f"## [{key}]\n\n{about}{left_out}\n"
        text += table(head, [_key(name, item) for name, item in model.model_fields.items()])
    return text.rstrip("\n") + "\n"


def _model(annotation: Any) -> type[Table] | None:
    for part in (annotation, *getattr(annotation, "__args__", ())):
        if isinstance(part, type) and issubclass(part, Table):
            return part
    return None


def _key(name: str, field: Any) -> tuple[str, str, str, str]:
    kind = next(kind for kind in field.metadata if hasattr(kind, "about"))
    if isinstance(kind, Quantity | Whole):
        allowed = kind.range_text()
    elif isinstance(kind, Several):
        allowed = "a list of names of [published limits](envelopes.md)"
    elif isinstance(kind, Choice):
        allowed = ", ".join(f"`{_plain(option)}`" for option in kind.options)
    else:
        assert isinstance(kind, Flag | Name)
        allowed = "`true`, `false`"
    default = "none" if field.default is PydanticUndefined else f"`{_plain(field.default)}`"
    return f"`{name}`", kind.about, allowed, default


def envelopes_page() -> str:
    """The published limits, and where each figure comes from."""
    default = ", ".join(f"`{name}`" for name in DEFAULT)
    text = f"""# Published limits

{MADE}
`limits.envelopes` in the spec lists the published limits that `simulate` and `report` apply to the
output. Without the table they are {default}; with an empty list there are none.

```toml
[limits]
envelopes = ["iti-2000", "ship-class"]
```

- The rule *limits* of a case fails a board that leaves a limit, and the reason names the limit. In
  an overload and when the sensor fails no board fails by them, since no regulator can keep them
  there: the finding `over-voltage` names the limits that are exceeded upward.
- They apply to the RMS of each half cycle of the reference, without the sensor's gain, in percent
  of rated; "steady" to the half cycles after the output has settled. The table of cases shows half
  cycles of any start, which may go a little farther. Peaks, wave shape, frequency and unbalance are
  not judged.
- Each entry says in which document it was read. It is no substitute for the standard, and a pass
  is no certificate: test the unit to the edition that its contract names.
- Limits that could not be read are missing: the dynamic classes of IEC 62040-3, the other classes
  of ISO 8528-5, and the transients in the other editions of MIL-STD-704.
"""
    for envelope in ENVELOPES.values():
        text += f"\n## {envelope.name}\n\n**{envelope.title}.** {envelope.document}.\n\n"
        text += f"{envelope.read_in}.\n"
        text += table(("condition", "limit"), list(_limits(envelope))).rstrip("\n") + "\n"
    return text


def _limits(envelope: Envelope) -> Iterator[tuple[str, str]]:
    unit = "V" if envelope.volts else "% of rated"
    yield "in the cases", "; ".join(cover.value for cover in Covers if cover in envelope.covers)
    if envelope.frequency_hz is not None:
        yield "only at", f"{envelope.frequency_hz} Hz"
    if envelope.steady is not None:
        yield "steady", f"{envelope.steady[0]:g} to {envelope.steady[1]:g} {unit}"
    for side, points in (("below", envelope.lower), ("above", envelope.upper)):
        for level, seconds in _few(points):
            longest = f"for at most {1000 * seconds:g} ms" if seconds else "never"
            yield f"{side} {level:g} {unit}", longest


def _few(points: Points) -> Points:
    """All points; of the many that stand for a slope every tenth, and the ends."""
    if len(points) < 20:
        return points
    ordered = sorted(points)
    return (*ordered[:-1:10], *ordered[-2:])


def _plain(value: object) -> str:
    if isinstance(value, Fraction):
        return exact.text(value)
    return json.dumps(value)


def json_page() -> str:
    """Every key that the commands print."""
    definitions = schema()["$defs"]
    assert isinstance(definitions, dict)
    text = f"""# JSON

{MADE}
Every command takes `--json` and then prints one JSON object on the standard output, findings
included; messages still go to the error stream. The exit code does not change. Only keys that are
marked optional may be missing; a figure that is undefined is `null`. No number is infinite or NaN.

[output.schema.json](../../gen/halfcycle/output/output.schema.json) is the same as a JSON Schema;
what `halfcycle design --json` prints is `#/$defs/command.design` there. A test runs every command
and checks its output against the schema. Bad input (exit code 2) prints no JSON, except that
`check` of several specs says which of them could not be checked.

`[]` stands for every element of a list, `.*` for every key of an object.
"""
    for command, models in OUTPUTS.items():
        text += f"\n## {command}\n"
        for number, model in enumerate(models):
            if number:
                text += f"\nOr: {(model.__doc__ or '').split(chr(10))[0]}\n"
            rows = list(_keys(definitions[model.__name__], definitions, "", {}))
            text += table(("key", "type", "meaning"), rows).rstrip("\n") + "\n"
    return text


def _keys(
    model: dict[str, Any], definitions: dict[str, Any], prefix: str, seen: dict[str, str]
) -> Iterator[tuple[str, str, str]]:
    """Rows of a model's keys; an object that came before is not laid out again (``seen``)."""
    for key, part in model["properties"].items():
        inner, kind, suffix = _inside(part)
        name, about = f"{prefix}{key}{suffix}", part.get("description", "")
        known = seen.get(inner)
        if key not in model["required"]:
            kind = f"{kind}, optional"
        yield f"`{name}`", kind, f"{about}; keys as in `{known}`" if known else about
        if inner and not known:
            seen[inner] = name
            yield from _keys(definitions[inner], definitions, f"{name}.", seen)


def _inside(part: dict[str, Any]) -> tuple[str, str, str]:  # noqa: PLR0911 (one per kind)
    """(name of the model inside, type in words, suffix of the key) of a property."""
    if "anyOf" in part:
        options = [option for option in part["anyOf"] if option != {"type": "null"}]
        inner, kind, suffix = _inside(options[0])
        return inner, f"{kind} or null", suffix
    if "$ref" in part or "allOf" in part:
        reference = part.get("$ref") or part["allOf"][0]["$ref"]
        return reference.rpartition("/")[2], "object", ""
    if "enum" in part:
        return "", ", ".join(f"`{json.dumps(word)}`" for word in part["enum"]), ""
    if "const" in part:
        return "", f"`{json.dumps(part['const'])}`", ""
    kind = part.get("type", "any")
    if kind == "array" and "prefixItems" in part:
        return "", f"[{', '.join(item['type'] for item in part['prefixItems'])}]", ""
    if kind == "array":
        inner, of, suffix = _inside(part["items"])
        return inner, f"list of {of}s", f"[]{suffix}"
    if kind == "object":
        inner, of, suffix = _inside(part["additionalProperties"])
        return inner, f"object of {of}s", f".*{suffix}"
    return "", kind, ""


def commands_page() -> str:
    """Every command with its options."""
    text = f"""# Commands

{MADE}
Results go to the standard output, messages to the error stream. Every command takes `--json`
([its keys](json.md)) and `--help`. A fault in the input is one line, all faults at once:

```
error: FILE: KEY: what is wrong; what to do
```

| exit code | meaning |
| --- | --- |
| 0 | good |
| 1 | a check found a difference, or a limit was broken |
| 2 | bad usage, bad input, a tool is missing, or the machine refuses (a full disk) |
| 70 | a fault of halfcycle itself; please report it |
| 130, 143, 129 | stopped by SIGINT, SIGTERM or SIGHUP: 128 and the signal's number |
| 141 | the reader of the output closed it (a closed pipe) |

A file is replaced whole or left alone; the files of one `generate` are all old or all new,
whatever signal stops it. Only SIGKILL or a power cut can leave a mixture: then `check` says so, and
the next `generate` repairs it. An output is never written over an input of the command, over
generated C, a device or a pipe, and over a file of another origin only with `--force`. A read-only
file is left alone.
"""
    context = click.Context(cli, info_name="halfcycle")
    for name in COMMANDS:
        command = cli.get_command(context, name)
        assert command is not None
        text += _command(command, click.Context(command, info_name=name, parent=context))
    return text + _COMPLETION


def _command(command: click.Command, context: click.Context) -> str:
    usage = command.get_usage(context).removeprefix("Usage: ")
    usage = re.sub(r"\s+", " ", usage)
    paragraphs = _paragraphs(command.help or "")
    text = f"\n## {command.name}\n\n```\n{usage}\n```\n\n" + "\n\n".join(paragraphs) + "\n"
    rows = [
        _option(parameter, context)
        for parameter in command.params
        if isinstance(parameter, click.Option)
    ]
    return text + table(("option", "meaning", "default"), rows).rstrip("\n") + "\n"


def _paragraphs(help_text: str) -> list[str]:
    """The help as Markdown: what click keeps as it is becomes a code block."""
    found = []
    for part in re.split(r"\n\s*\n", re.sub(r"^ {4}", "", help_text, flags=re.MULTILINE).strip()):
        if part.startswith("\b"):
            lines = part.removeprefix("\b").strip("\n").splitlines()
            title, shown = lines[0].strip(), "\n".join(line.strip() for line in lines[1:])
            found.append(f"{title}\n\n```sh\n{shown}\n```")
        else:
            found.append(" ".join(part.split()))
    return found


def _option(option: click.Option, context: click.Context) -> tuple[str, str, str]:
    metavar = "" if option.is_flag else f" {option.make_metavar(context)}"
    shown = option.get_help_extra(context)
    about = (option.help or "").rstrip(".")
    if isinstance(option.type, click.Choice):
        metavar = f" {(option.name or '').upper()}"
        about += ": " + ", ".join(f"`{choice}`" for choice in option.type.choices)
    if isinstance(option.type, click.types._NumberRangeBase):
        metavar = metavar.replace("INTEGER RANGE", "N")
        low, high = option.type.min, option.type.max
        about += f" ({low} to {high})" if high is not None else f" ({low} and up)"
    if option.required:
        about += "; has to be given"
    default = f"`{shown['default']}`" if shown.get("default") else ""
    return f"`{', '.join(option.opts)}{metavar}`", about, default


_COMPLETION = """
## Completion

The shell completes commands, options and files. For bash 4.4 or newer, put this into `~/.bashrc`:

```sh
eval "$(_HALFCYCLE_COMPLETE=bash_source halfcycle)"
```

For zsh, into `~/.zshrc`:

```sh
eval "$(_HALFCYCLE_COMPLETE=zsh_source halfcycle)"
```

For fish:

```sh
_HALFCYCLE_COMPLETE=fish_source halfcycle > ~/.config/fish/completions/halfcycle.fish
```
"""
