"""Wiring: settings, addresses, processes, operator scripts. No floor imports it."""

from deploy.celery import app as celery_app

__all__ = ["celery_app"]
