"""SQLite and PostgreSQL, objects by content, audit, backup: where the records of inspections are kept."""
