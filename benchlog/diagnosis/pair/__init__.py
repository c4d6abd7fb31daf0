"""Two channels in one recording: whether one moves the other, by what way and how far."""
