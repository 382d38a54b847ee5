"""The room: a class that follows the bench on screens of its own, over a page that only reads."""
