"""The duty class of each vehicle and compartment, month by month, with its evidence."""
