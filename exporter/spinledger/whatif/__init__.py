"""What other timers, and other loads, would have done; what it costs. Pure."""
