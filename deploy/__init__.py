"""Wiring: settings, addresses, processes, operator scripts. Imports every floor; no floor imports it."""

from deploy.celery import app as celery_app

__all__ = ["celery_app"]
