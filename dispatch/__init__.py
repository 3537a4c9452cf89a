"""The engine: days in, plans out. Knows no web and no database."""
