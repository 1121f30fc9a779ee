"""Resumable uploads: the server side of tus 1.0.0 (core, creation, checksum, expiration,
termination), as published at https://tus.io/protocols/resumable-upload."""
