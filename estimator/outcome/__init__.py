"""What a resection comes to: freed areas, cost, steps of the operation and the verdict."""
