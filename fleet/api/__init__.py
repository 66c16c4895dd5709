"""The REST API: what programs see and send."""
