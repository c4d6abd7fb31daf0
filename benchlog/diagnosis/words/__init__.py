"""What a diagnosis says, for a beginner."""
