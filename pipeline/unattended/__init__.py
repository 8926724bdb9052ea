"""What runs while nobody looks: what is due, one run at a time, whom to tell what."""
