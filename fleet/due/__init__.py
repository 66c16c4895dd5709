"""Services, their limits, what was done, and when each falls due next."""
