"""The wiring's rows of the access table."""

from accounts.access import SIGNED_IN, open_to_all, row

ACCESS = {
    "healthz": open_to_all("asked by the machine that keeps the process running"),
    "readyz": open_to_all("asked by whatever decides where requests go"),
    "api": row(GET=SIGNED_IN),
    "api_schema": row(GET=SIGNED_IN),
}
