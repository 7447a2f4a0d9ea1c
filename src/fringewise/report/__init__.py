"""What a report says, as data: sections, tables and figures made from a record; `render` gives it form."""
