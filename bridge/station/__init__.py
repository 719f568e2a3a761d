"""One reservoir's loop: from a frame to a decision, what is shown and what is kept of it."""
