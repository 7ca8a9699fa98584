"""Ground: files: written whole or not at all, read without trust; tables, CSV, YAML with line
numbers."""
