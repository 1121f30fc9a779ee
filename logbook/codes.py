"""Exam codes: short enough to be written in the patient's note, hard to misread. Pure."""

import secrets

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # 31: no 0 O, no 1 I L


def new_code() -> str:
    """Five random characters as ``K4-7QX``; unique only once the database has said so."""
    five = "".join(secrets.choice(ALPHABET) for _ in range(5))
    return f"{five[:2]}-{five[2:]}"
