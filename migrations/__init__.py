"""Alembic migrations: every schema the truth has had, oldest first."""
