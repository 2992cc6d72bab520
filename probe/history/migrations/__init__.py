"""How the tables of the history came about, step by step; run by Alembic."""
