"""From knob angles and measured pulses to tables, fits and drift; pure."""
