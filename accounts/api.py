"""What the API says about the person who asks."""

from django.db.models import F
from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import api_view
from rest_framework.response import Response


class KeyScheme(OpenApiAuthenticationExtension):
    target_class = "accounts.api_doors.KeyAuthentication"
    name = "key"

    def get_security_definition(self, auto_schema):
        return {"type": "http", "scheme": "bearer"}


class WhoamiSerializer(serializers.Serializer):
    name = serializers.CharField()
    programmes = serializers.ListField(child=serializers.DictField())


@extend_schema(responses=WhoamiSerializer)
@api_view(["GET"])
def whoami(request):
    """Who this key or session belongs to, and in which programmes they are today."""
    now = timezone.now()
    rows = request.user.memberships.select_related("programme").order_by(
        F("programme__code"), "role"
    )
    return Response(
        {
            "name": request.user.name,
            "programmes": [
                {"programme": m.programme.code, "role": m.role}
                for m in rows
                if m.starts_on <= (today := m.programme.local_date(now))
                and (m.ends_on is None or m.ends_on >= today)
            ],
        }
    )
