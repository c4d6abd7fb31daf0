"""What befell a train of pulses beyond its usual cycle."""
