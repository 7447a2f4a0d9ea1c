"""Wire documents: text from outside becomes a checked document, or a list of everything wrong with it.

A room's own documents are subclasses of `Part` in its ``documents.py``; they are read with `parse` and
written with `to_json`. null is the same as absent, unknown fields are kept, and a ``format`` of another kind
or an unknown major version is refused by name.
"""

from fringewise.core.documents.fields import (
    FROM_WHOLE,
    Broken,
    Count,
    Day,
    Moment,
    Name,
    NotNegative,
    Number,
    Part,
    Positive,
    Probability,
    Sha256,
    Text,
    Whole,
    YesNo,
    format_of,
    moment_of,
    rule_of,
)
from fringewise.core.documents.reading import checked_document, json_schema, parse
from fringewise.core.documents.text import MOST_BYTES, decoded, to_json
from fringewise.core.documents.unknown import unknown_fields, with_unknown_fields

__all__ = [
    "FROM_WHOLE",
    "MOST_BYTES",
    "Broken",
    "Count",
    "Day",
    "Moment",
    "Name",
    "NotNegative",
    "Number",
    "Part",
    "Positive",
    "Probability",
    "Sha256",
    "Text",
    "Whole",
    "YesNo",
    "checked_document",
    "decoded",
    "format_of",
    "json_schema",
    "moment_of",
    "parse",
    "rule_of",
    "to_json",
    "unknown_fields",
    "with_unknown_fields",
]
