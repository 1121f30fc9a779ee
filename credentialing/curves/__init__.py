"""The learning curve in the service: read from the record, drawn with its scans on it, decided."""
