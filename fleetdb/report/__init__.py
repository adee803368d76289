"""What goes back to people: the receipt for a record, and lists of verdicts."""
