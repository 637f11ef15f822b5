"""Storing: versions in Parquet files, a database, and questions in SQL."""
