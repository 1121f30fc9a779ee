from django.apps import AppConfig


class LedgerConfig(AppConfig):
    name = "accounts.ledger"
    label = "ledger"
