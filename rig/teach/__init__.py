"""Lessons and reading exercises: what is asked, what is heard, what it comes to."""
