"""What will be used, month by month, and what to order."""
