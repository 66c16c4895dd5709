"""Background tasks, in this process and in a worker of its own."""
