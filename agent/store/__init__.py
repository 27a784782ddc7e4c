"""The history: tables, migrations, reading and writing. Values in, values out."""
