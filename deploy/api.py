"""The API's default answer is no: each view names the permission that opens it."""

from __future__ import annotations

from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.views import APIView


class Closed(BasePermission):
    """Refuses everybody. A view without `permission_classes` of its own stays shut."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return False
