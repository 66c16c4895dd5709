"""The pages: what people see and click."""
