"""What is tried by hand while a channel is heard: on the beat, and in stages compared."""
