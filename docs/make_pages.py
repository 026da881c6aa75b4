"""Writes the pages of docs/ that are made from the program itself.

    python docs/make_pages.py

tests/test_docs.py fails when a page is stale.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import click

from siting.cli.main import siting
from siting.settings.given.tables import LAYER_NAMES
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.settings.protocol_base import Section
from siting.settings.text.toml import facts, toml_value

DOCS = Path(__file__).parent


def protocol_page() -> str:
    """docs/protocol.md: every key of the protocol with default, unit, range and source."""
    head = (
        "# Protocol: every key\n\n"
        "The rules of a survey live in one TOML file. `siting protocol` prints the shipped one, "
        "ready to edit; `siting protocol FILE` checks yours and tells all its faults at once. Keys "
        "you leave out keep their default.\n\n"
        "This page is made from the program by `python docs/make_pages.py`.\n"
    )
    return head + "\n".join(_section(Protocol(), "")) + "\n"


def _section(section: Section, name: str) -> Iterator[str]:
    fields = type(section).model_fields
    plain = [n for n in fields if not isinstance(getattr(section, n), Section)]
    if plain:
        yield f"\n## {'[' + name + ']' if name else 'At the top'}\n"
        yield (type(section).__doc__ or "").splitlines()[0] + "\n"
        yield "| key | default | unit | range | meaning | source |"
        yield "|---|---|---|---|---|---|"
    for field in plain:
        told = facts(fields[field])
        cells = [
            f"`{field}`",
            f"`{toml_value(getattr(section, field))}`",
            told["unit"],
            told["range"],
            fields[field].description or "",
            told["source"],
        ]
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
    for field in fields:
        if field not in plain:
            yield from _section(getattr(section, field), f"{name}.{field}" if name else field)


def inputs_page() -> str:
    """docs/inputs.md: every key of the inputs file, with its option on the command line."""
    from siting.cli.options import INPUT_OPTIONS, OWN_OPTIONS

    options = {key: name for name, key, _ in INPUT_OPTIONS}
    options |= {key: name for name, key in OWN_OPTIONS.items()}
    lines = [
        "# Inputs file: every key",
        "",
        "What is particular to a piece of land lives in one TOML file; paths count from its "
        "folder. Most keys are also options of `siting score` and `siting check`, where paths "
        "count from the folder you are in; an option wins over the file.",
        "",
        "This page is made from the program by `python docs/make_pages.py`.",
        "",
    ]
    for table, info in Inputs.model_fields.items():
        if table == "survey":
            lines += _layer_keys()
        model = next(
            (m for m in (info.annotation, *getattr(info.annotation, "__args__", ()))
             if isinstance(m, type) and hasattr(m, "model_fields")), None,
        )  # fmt: skip
        if table in ("folder",):
            continue
        if model is None:
            lines += [f"`{table}`: {info.description}", ""]
            continue
        lines += [f"## [{table}]", "", f"{(model.__doc__ or '').splitlines()[0]}", ""]
        lines += ["| key | option | meaning |", "|---|---|---|"]
        for key, field in model.model_fields.items():
            option = options.get(f"{table}.{key}", "")
            text = field.description or ("A vector layer." if key in LAYER_NAMES else "")
            lines.append(f"| `{key}` | {f'`{option}`' if option else ''} | {text} |")
        lines.append("")
    return "\n".join(lines)


def _layer_keys() -> list[str]:
    """The table of one layer: what "FILE::LAYER" cannot say."""
    from siting.settings.given.layers import LayerInput

    return [
        "## [layers.NAME]",
        "",
        'A layer as a table, where `"FILE"` or `"FILE::LAYER"` does not say enough.',
        "",
        "| key | meaning |",
        "|---|---|",
        *(f"| `{k}` | {field.description} |" for k, field in LayerInput.model_fields.items()),
        "",
    ]


def commands_page() -> str:
    """docs/commands.md: the help text of every command."""
    lines = [
        "# Commands",
        "",
        "Exit codes: 0 done; 1 a fault of the program; 2 wrong use of a command; 3 something given "
        "is wrong; 4 some parcels of a batch failed; 130 interrupted.",
        "",
        "This page is made from the program by `python docs/make_pages.py`.",
    ]
    # With the settings of a real call, or the page would depend on whether one was made before.
    as_called = {**siting.context_settings, "terminal_width": 100}
    context = click.Context(siting, info_name="siting", **as_called)
    for name in siting.list_commands(context):
        command = siting.get_command(context, name)
        if command is None:
            continue
        inner = click.Context(command, info_name=name, parent=context, terminal_width=100)
        lines += ["", f"## siting {name}", "", "```", command.get_help(inner), "```"]
    return "\n".join(lines) + "\n"


_TABLE = re.compile(r"(<!-- columns: (\w+) -->\n).*?(<!-- end of columns -->)", re.DOTALL)


def with_tables(page: str) -> str:
    """A page with its tables of columns made anew from the rows of the program."""
    from siting.batch.output import columns as of_batch
    from siting.report.files.columns import COLUMNS

    tables = {
        "spots": COLUMNS,
        "parcels": of_batch.PARCELS,
        "failures": of_batch.FAILURES,
        "assignments": of_batch.ASSIGNMENTS,
    }
    text = (DOCS / page).read_text(encoding="utf-8")
    return _TABLE.sub(lambda m: m[1] + _columns_table(tables[m[2]]) + m[3], text)


def _columns_table(columns: Iterable[Any]) -> str:
    shared = any(column.public for column in columns)
    lines = ["| field | unit | meaning |" + (" public |" if shared else "")]
    lines.append("|---|---|---|" + ("---|" if shared else ""))
    for column in columns:
        passed_on = f" {'yes' if column.public else ''} |" if shared else ""
        lines.append(f"| `{column.name}` | {column.unit} | {column.meaning} |{passed_on}")
    return "\n".join(lines) + "\n"


def decisions_schema() -> str:
    """siting/data/decisions.schema.json: the decisions file for other programs (JSON Schema)."""
    from siting.decisions.model import DecisionsFile

    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    schema |= DecisionsFile.model_json_schema()
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


SCHEMA = "../siting/data/decisions.schema.json"
PAGES = {
    "protocol.md": protocol_page,
    "inputs.md": inputs_page,
    "commands.md": commands_page,
    "outputs.md": partial(with_tables, "outputs.md"),
    "batch.md": partial(with_tables, "batch.md"),
    SCHEMA: decisions_schema,
}


def main() -> None:
    for name, make in PAGES.items():
        (DOCS / name).write_text(make(), encoding="utf-8")


if __name__ == "__main__":
    main()
