"""What moves a channel's cycle: causes told apart by their directions, with the share of each."""
