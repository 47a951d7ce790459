"""What is still to be done: goals not begun, what comes next, and when all will be met."""
