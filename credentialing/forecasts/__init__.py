"""The outlook in the service: what it is computed from, when, and how it is told.

The computation itself is pure and lives in `credentialing.outlook`.
"""
