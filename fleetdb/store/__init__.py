"""The truth: tables, ingest and queries in SQLAlchemy, on SQLite or PostgreSQL."""
