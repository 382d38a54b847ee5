"""Lessons: predict, measure, compare. A file a lesson; README.md here says how to add one."""
