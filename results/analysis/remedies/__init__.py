"""What unlatches a pin, what latches it, and the remedies side by side."""
