"""Litestar handlers: decode, call one function, encode. No SQL and no formula lives here."""
