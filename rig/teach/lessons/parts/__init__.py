"""Parts of lessons that are too long for one file: a file a part."""
