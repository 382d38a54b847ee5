"""Pages to print: of a lesson, and of reading exercises."""
