"""What would be right where a record was rejected: one sentence for a person with the mapping open."""

from typing import Final

from broker_bridge.adapters.logs.mapping.fields import FieldRule
from broker_bridge.adapters.logs.mapping.model import MappingFile
from broker_bridge.adapters.logs.preview.clock import example_of

_GENERAL: Final = {
    "encoding": "state the encoding the machine writes: [reader] encoding = ... (it reads {encoding} now)",
    "nul": "wait until the machine has finished writing, or state another [reader] encoding (it is {encoding} now)",
    "oversize": "raise the limit that is named, or look whether [reader] line_end and delimiter are right",
    "quoting": 'a closed quote; where quotes are plain text, [reader] quote = ""',
    "columns": "as many columns as [reader] states{columns}; short_rows = \"absent\" lets the last ones be missing",
    "header": "the header line that [reader] states{columns}; after an update of the machine, change it there",
    "unknown_kind": "a record of a kind that [reader] knows: {kinds}",
    "syntax": "well-formed content of the kind that [reader] states",
    "incomplete": "the rest of the record; the file may not be finished",
    "nested": "one text; a path such as a.b or a.0 leads to one inside it",
    "split": "a text with that many parts",
    "match": "a text that the field's `match` fits, or another pattern",
    "position": "a position that [[positions]] lists for this part and side",
    "file_name": "a file name as [file] pattern states",
    "validity": "a record of the days for which [validity] holds; older ones need the mapping of their days",
    "group": "mend the record that is named, or state [group] bad_rows = \"flag\"",
    "silent": "a group for which an [[event]] holds, or [group] silent = \"allow\"",
    "orphan": "a record around it with the same values",
    "count": "a file that holds as many records as it says",
    "ambiguous": "one value in the whole group, or `each = ...` where the records differ",
    "ambiguous_header": "one such record before the group, or [group] per = \"row\"",
    "schema": "a value that the event's schema takes (`broker-bridge schemas TYPE` tells its fields)",
}  # fmt: skip


def advice(mapping: MappingFile, code: str, reason: str) -> str | None:
    """What would be right, by the rejection's code; None where the reason says it all."""
    rule = _field(mapping, reason)
    if rule is not None:
        told = _of_field(mapping, rule, code)
        if told is not None:
            return told
    text = _GENERAL.get(code)
    if text is None:
        return None
    kinds = mapping.reader.kinds()
    columns = next(
        (" (" + ", ".join(_in_order(mapping, kind)) + ")" for kind in kinds if _in_order(mapping, kind)), ""
    )
    return text.format(
        encoding=getattr(mapping.reader, "encoding", None) or "what the document declares",
        kinds=", ".join(sorted(kinds)),
        columns=columns if len(kinds) == 1 else "",
    )


def _field(mapping: MappingFile, reason: str) -> FieldRule | None:
    """The rule of the field with which the reason begins."""
    name = reason.split(":", 1)[0].split(" ", 1)[0]
    return next((rules[name] for rules in mapping.fields.values() if name in rules), None)


def _of_field(mapping: MappingFile, rule: FieldRule, code: str) -> str | None:
    if code == "table" and rule.table in mapping.tables:
        words = ", ".join(list(mapping.tables[rule.table].values)[:12])
        return f"one of the words of [tables.{rule.table}]: {words}"
    if code == "time" and rule.format is not None:
        return f"a time such as {example_of(rule.format)} (format = {rule.format!r})"
    if code == "number":
        comma = (rule.decimal or mapping.reader.decimal) == ","
        return (
            "an integer such as 12"
            if rule.type == "integer"
            else f"a number such as {'12,5' if comma else '12.5'}"
        )
    if code == "range" and rule.range is not None:
        return f"a value from {rule.range[0]:g} to {rule.range[1]:g} {rule.unit or ''}".rstrip()
    if code == "required":
        return "a value; where records may lack it, take `required` away"
    if code == "field" and rule.type == "boolean":
        return f"one of {', '.join((*rule.true, *rule.false))}"
    return None


def _in_order(mapping: MappingFile, kind: str) -> tuple[str, ...]:
    for one in getattr(mapping.reader, "records", ()):
        if one.kind == kind:
            return tuple(getattr(one, "columns", ()))
    return ()
