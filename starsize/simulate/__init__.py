"""Practice frames with known truth, blurred by physics of their own."""
