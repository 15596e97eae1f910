"""What must be freed at a level, whatever the approach: the room that sac and roots need, and what stands in it."""
