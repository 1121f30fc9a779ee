"""The API's sign-in and its permission, which asks the same table as every page."""

from rest_framework.authentication import BaseAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.permissions import BasePermission

from accounts import access
from accounts.access import Answer
from accounts.models import Token


class KeyAuthentication(BaseAuthentication):
    """`Authorization: Bearer <key>`; a revoked key or a closed account is refused at once."""

    keyword = "Bearer"

    def authenticate(self, request):
        scheme, _, key = request.headers.get("Authorization", "").partition(" ")
        if scheme != self.keyword:
            return None
        prefix = key.partition(".")[0]
        token = (
            Token.objects.current()
            .select_related("person")
            .filter(prefix=prefix, digest=Token.digest_of(key.strip()))
            .first()
        )
        if token is None:
            raise AuthenticationFailed("This key is unknown or was revoked.")
        return token.person, token

    def authenticate_header(self, request):
        return self.keyword


class InTheTable(BasePermission):
    """The access table decides; views add only which objects a person may see."""

    def has_permission(self, request, view) -> bool:
        match = request.resolver_match
        if match is None:
            return False
        standing = None
        if "programme" in match.kwargs and request.user.is_authenticated:
            standing = request._request.standing
        answer = access.decide(
            access.table().get(match.view_name),
            request.method,
            signed_in=bool(request.user and request.user.is_authenticated),
            standing=standing,
        )
        return answer in (Answer.YES, Answer.METHOD)
