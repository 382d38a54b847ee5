"""From blocks to results: marks, trust, the receiver, the budget of a range, and the loop."""
