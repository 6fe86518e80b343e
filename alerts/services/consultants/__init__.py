"""What a consultant reads and sends."""
