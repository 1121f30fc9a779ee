"""What the menu offers and where each role starts; floors add their own in apps.ready."""

from dataclasses import dataclass

from django.utils.functional import Promise


@dataclass(frozen=True)
class Item:
    """One entry: shown to whoever has the permission (a name of accounts.access.P)."""

    label: str | Promise
    url_name: str
    permission: str
    order: int = 50
    roles: frozenset[str] = frozenset()


ITEMS: list[Item] = []
START: dict[str, str] = {}


def register(*items: Item, **start: str) -> None:
    """`start` gives a role's first page: register(trainee="credentialing:home")."""
    ITEMS.extend(item for item in items if item not in ITEMS)
    ITEMS.sort(key=lambda item: (item.order, str(item.url_name)))
    START.update(start)


SETTINGS: list[Item] = []


def register_settings(*items: Item) -> None:
    """Settings are one row a floor; each floor adds its page to the tabs."""
    SETTINGS.extend(item for item in items if item not in SETTINGS)
    SETTINGS.sort(key=lambda item: item.order)


# The page, of the floor that knows the applications, on which a reader's privileges are set.
ABOUT_READER: list[str] = []


def register_about_reader(url_name: str) -> None:
    ABOUT_READER[:] = [url_name]
