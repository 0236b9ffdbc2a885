"""A whole fleet as tables: files and sheets to what is stored, and back without loss."""
