"""Who may see the gallery."""

from accounts.access import open_to_all

ACCESS = {
    "ui:gallery": open_to_all(
        "shows components with invented values; 404 unless a setting opens it"
    )
}
