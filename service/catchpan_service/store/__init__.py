"""What is kept: tables and queries, written once for each database. Rows never leave this package."""
