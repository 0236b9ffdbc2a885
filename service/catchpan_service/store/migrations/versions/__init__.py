"""The revisions of the schema, each written once and never changed."""
