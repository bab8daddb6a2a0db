"""Writes the reference part of docs/results.md from the schemas of the tables."""

from __future__ import annotations

from standage.findings.result_tables import RESULT_TABLES
from standage.findings.schema import (
    AMOUNTS,
    BASIS,
    CALENDAR_YEAR,
    UNIT,
    ResultColumn,
    ResultTable,
)

COMMON = (*UNIT, *BASIS, *AMOUNTS)  # described once
PLAIN_UNITS = (
    *(CALENDAR_YEAR, "probability", "share", "ratio", "years", "cm"),
    *("stems", "trees", "plots", "cores", "rings", "pulses", "stands", "draws", "degrees"),
    *("share of stems", "stems/ha", "plants/ha", "m2/ha", "stems/ha/year"),
)


def table_reference() -> str:
    """The reference as markdown."""
    parts = [
        "\n".join(["In many tables:", "", *(_line([column]) for column in COMMON)]),
        *(_section(table) for table in RESULT_TABLES),
    ]
    return "\n\n".join(parts) + "\n"


def _section(table: ResultTable) -> str:
    sentences = [f"Each row: {table.one_row}."]
    if table.remark:
        sentences.append(table.remark)
    own = [column for column in table.columns if column.role != "internal" and column not in COMMON]
    described: dict[tuple[str, str], list[ResultColumn]] = {}
    for column in own:
        described.setdefault(column.described, []).append(column)
    lines = [_line(alike) for alike in described.values()]
    parts = [f"## {table.name}.csv", " ".join(sentences), "\n".join(lines)]
    return "\n\n".join([*parts, table.footnote] if table.footnote else parts)


def _line(columns: list[ResultColumn]) -> str:
    """Columns of which the same is said."""
    names = ", ".join(
        f"`{column.name}_*`" if column.interval else f"`{column.name}`" for column in columns
    )
    unit, meaning = columns[0].described
    plain = not unit or unit in PLAIN_UNITS or unit.startswith("as in ")
    shown = "" if plain else f" [{unit}]"
    return f"- {names}{shown}: {meaning}"
