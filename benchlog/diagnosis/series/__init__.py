"""What a series of cycles shows in time: lines, steps, colours and reach of its jitter."""
