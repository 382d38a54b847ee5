"""What is taken out of a block's samples before they are compressed."""
