"""Ground: Student's t, and how repeated measurements are combined."""
