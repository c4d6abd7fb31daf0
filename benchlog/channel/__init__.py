"""What a channel should do: the circuit, the knob, the servo, the design file; pure."""
