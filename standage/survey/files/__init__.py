"""Files to written tables and back: CSV, workbooks, empty forms, marked copies."""
