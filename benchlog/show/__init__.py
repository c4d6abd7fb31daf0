"""What goes out: terminal tables, pictures, dials and reports."""
