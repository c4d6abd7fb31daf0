"""What comes in: recordings from sound, serial probes, files and the simulated bench."""
