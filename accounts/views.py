"""Where people arrive, and the pages that say who belongs and how the programme is reached."""

from functools import partial

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from accounts import navigation, queries
from accounts.actions import keys, people, programmes
from accounts.context import ROLE_IN_SESSION, role_of
from accounts.errors import Refused
from accounts.forms import (
    EndForm,
    KeyForm,
    LevelForm,
    NamesForm,
    PersonForm,
    SettingsForm,
    ZoneForm,
)
from accounts.institution_views import administered
from accounts.models import Membership, Programme, Role


def door(request: HttpRequest) -> HttpResponse:
    """After sign-in: straight on where there is one programme, else a choice."""
    now = timezone.now()
    mine = list(
        Programme.objects.of(request.user, on=now.date())
        .select_related("institution")
        .order_by("name")
    )
    institutions = administered(request.user, on=now.date())
    if len(mine) == 1 and not institutions:
        return redirect("accounts:start", mine[0].code)
    if len(institutions) == 1 and not mine:
        return redirect("accounts:institution", institutions[0].code)
    return render(request, "accounts/door.html", {"programmes": mine, "institutions": institutions})


def start(request: HttpRequest, programme: str) -> HttpResponse:
    """The first page of the role that the person works as."""
    role = role_of(request)
    target = navigation.START.get(role or Role.TRAINEE, "accounts:people")
    return redirect(target, programme)


@require_POST
def work_as(request: HttpRequest, programme: str) -> HttpResponse:
    """Changes only the start page and the menu; rights stay the union of all roles."""
    role = request.POST.get("role", "")
    if role not in request.standing.roles:
        raise Http404
    chosen = {**request.session.get(ROLE_IN_SESSION, {}), programme: role}
    request.session[ROLE_IN_SESSION] = chosen
    return redirect("accounts:start", programme)


def _try(form, do) -> bool:
    """Run one action; its refusal goes beside the field it names, and nothing is cleared."""
    try:
        do()
    except Refused as refusal:
        field = refusal.field if refusal.field in form.fields else None
        form.add_error(field, refusal.sentence)
        return False
    return True


def settings(request: HttpRequest, programme: str) -> HttpResponse:
    its = request.programme
    now = timezone.now()
    form = SettingsForm(
        request.POST if request.POST.get("do") == "settings" else None,
        initial={"name": its.name, "duty_telephone": its.duty_telephone},
    )
    zone = ZoneForm(
        request.POST if request.POST.get("do") == "zone" else None,
        initial={"time_zone": str(its.zone_on(request.today)), "from_on": request.today},
        prefix="zone",
    )
    change = partial(programmes.change, programme=its, by=request.user, at=now)
    if form.is_bound and form.is_valid() and _try(form, lambda: change(changes=form.cleaned_data)):
        messages.success(request, _("Saved."))
        return redirect("accounts:settings", programme)
    if (
        zone.is_bound
        and zone.is_valid()
        and _try(
            zone,
            lambda: programmes.change_zone(
                programme=its, by=request.user, at=now, **zone.cleaned_data
            ),
        )
    ):
        messages.success(request, _("Saved."))
        return redirect("accounts:settings", programme)
    bound = form.is_bound or zone.is_bound
    return render(
        request,
        "accounts/settings.html",
        {"form": form, "zone": zone},
        status=422 if bound else 200,
    )


def people_page(request: HttpRequest, programme: str) -> HttpResponse:
    return render(
        request,
        "accounts/people.html",
        {"memberships": queries.people_of(request.programme), "today": request.today},
    )


def person_new(request: HttpRequest, programme: str) -> HttpResponse:
    form = PersonForm(request.POST or None, initial={"starts_on": request.today})
    if (
        request.method == "POST"
        and form.is_valid()
        and _try(
            form,
            lambda: people.add(
                programme=request.programme, by=request.user, at=timezone.now(), **form.cleaned_data
            ),
        )
    ):
        messages.success(request, _("%(name)s now belongs.") % {"name": form.cleaned_data["name"]})
        return redirect("accounts:people", programme)
    return render(
        request, "accounts/person_new.html", {"form": form}, status=422 if form.is_bound else 200
    )


def person(request: HttpRequest, programme: str, membership) -> HttpResponse:
    """One membership: names, level, last day, and for faculty what they may read."""
    its = (
        Membership.objects.select_related("person")
        .filter(programme=request.programme, pk=membership)
        .first()
    )
    if its is None:
        raise Http404
    now, do = timezone.now(), request.POST.get("do", "")
    end = EndForm(request.POST if do == "end" else None, initial={"ends_on": its.ends_on})
    level = LevelForm(
        request.POST if do == "level" else None,
        initial={"profession": its.profession, "level": its.level, "effective_on": request.today},
        prefix="level",
    )
    names = NamesForm(
        request.POST if do == "names" else None,
        initial=queries.on_file(request.programme, its.person),
        prefix="names",
    )
    acted = False
    if names.is_bound and names.is_valid():
        acted = _try(
            names,
            lambda: people.describe(
                programme=request.programme,
                person=its.person,
                by=request.user,
                at=now,
                **names.cleaned_data,
            ),
        )
    elif end.is_bound and end.is_valid():
        acted = _try(
            end, lambda: people.end(membership=its, by=request.user, at=now, **end.cleaned_data)
        )
    elif level.is_bound and level.is_valid():
        acted = _try(
            level,
            lambda: people.change(membership=its, by=request.user, at=now, **level.cleaned_data),
        )
    if acted:
        messages.success(request, _("Saved."))
        return redirect("accounts:person", programme, its.pk)
    return render(
        request,
        "accounts/person.html",
        {
            "membership": its,
            "end": end,
            "level": level,
            "names": names,
            "reading_url": reverse(navigation.ABOUT_READER[0], args=[programme, its.pk])
            if navigation.ABOUT_READER
            else "",
            "privileges": its.person.privileges.filter(programme=request.programme).order_by(
                "application", "from_on"
            ),
        },
        status=422 if end.is_bound or level.is_bound or names.is_bound else 200,
    )


def keys_page(request: HttpRequest) -> HttpResponse:
    """A person's own keys for the API. A new key is shown once."""
    now, new_key = timezone.now(), ""
    form = KeyForm(request.POST if request.POST.get("do") == "make" else None)
    if form.is_bound and form.is_valid():
        _token, new_key = keys.make(
            person=request.user, name=form.cleaned_data["name"], by=request.user, at=now
        )
        form = KeyForm()
    elif request.POST.get("do") == "revoke":
        token = request.user.tokens.filter(prefix=request.POST.get("prefix", "")).first()
        if token is None:
            raise Http404
        keys.revoke(token=token, by=request.user, at=now)
        return redirect(reverse("accounts:keys"))
    return render(
        request,
        "accounts/keys.html",
        {
            "form": form,
            "new_key": new_key,
            "tokens": request.user.tokens.filter(revoked_at=None).order_by("created_at"),
        },
    )


def bad_request(request, exception=None):
    return render(request, "400.html", status=400)


def forbidden(request, exception=None):
    return render(request, "403.html", status=403)


def not_found(request, exception=None):
    return render(request, "404.html", status=404)


def broken(request):
    return render(request, "500.html", status=500)
