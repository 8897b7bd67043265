"""The database: tables, migrations, one transaction at a time. Start with tables.py."""
