"""What may happen next: pure functions over literal tables. No input or output, no clock."""
