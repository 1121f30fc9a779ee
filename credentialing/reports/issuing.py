"""Making, signing and putting on record one report; making an issued one again to compare.

Laying out and signing take tens of milliseconds to half a second and hold no lock: what is made
is put on record in one short transaction afterwards.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import uuid
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache

from django.utils.translation import gettext as _

from accounts import remarks
from accounts.errors import Refused
from accounts.models import BackgroundJob, Person, PersonEvent, Programme, Remark
from credentialing.actions import reports as actions
from credentialing.models import Report, SigningKey
from credentialing.reports import build, pdf, signing
from credentialing.reports.content import Head, Recommendation, digest
from credentialing.reports.orders import OUTSIDE, Order


class Checks:
    """What stands against issuing these people's reports as ordered; four queries for all."""

    def __init__(self, programme: Programme, order: Order, people: Iterable[str]) -> None:
        ids = [uuid.UUID(one) for one in people]
        on_file = PersonEvent.objects.filter(programme=programme, person__in=ids)
        self.copy, self.people = order.copy, Person.objects.in_bulk(ids)
        self.then, self.now = on_file.newest(seq=order.position), on_file.newest()
        self.later = actions.later_ones(programme, ids, order.copy, order.read_by)

    def name(self, trainee: str) -> str:
        """As it was by then."""
        person = self.people[uuid.UUID(trainee)]
        then = self.then.get(person.pk)
        return then.name if then else person.name

    def check(self, trainee: str, recommends: bool | None) -> Person:
        """Raises Refused where no report of this person can be issued, and says why."""
        person = self.people[uuid.UUID(trainee)]
        then, now = self.then.get(person.pk), self.now.get(person.pk)
        name = {"name": self.name(trainee)}
        if self.copy == OUTSIDE:
            if recommends is None:
                raise Refused(
                    _("An outside copy says whether you recommend %(name)s.") % name,
                    field="recommends",
                )
            if then is None or not then.legal_name:
                if now is not None and now.legal_name:
                    raise Refused(
                        _(
                            "%(name)s: the legal name was entered after that day. Choose a later "
                            "day for “read up to”."
                        )
                        % name,
                        field="read_by",
                    )
                raise Refused(
                    _("%(name)s has no legal name yet. Enter it on the person's page.") % name,
                    field="who",
                )
        actions.check_not_older(self.later.get(person.pk))
        return person


def key_in_use(programme: Programme) -> SigningKey:
    key = actions.key_of(programme)
    if key is None:
        raise Refused(_("There is no key to sign with yet. Make one under Keys."))
    return key


@dataclass(frozen=True)
class Laid:
    """One person's report as it goes to be signed; its pages may still be on their way."""

    order: Order
    person: Person
    version_id: uuid.UUID | None
    recommends: bool | None
    sentence: str | Remark
    at: dt.datetime
    key: SigningKey
    code: str
    printed: str
    pages: Future[bytes]


class Press:
    """Issues the reports of some people that are alike but for whose they are. Whatever they
    share, and all these people's records, is read once; each is signed and put on record alone.

    Pages are laid out on a thread of their own, for the most part without the interpreter: whoever
    has several lays the next one out before the present one is signed.

    `order`: any of theirs. `origin`: scheme and host of the check page.
    """

    def __init__(
        self,
        order: Order,
        trainees: Iterable[str],
        *,
        origin: str,
        by: Person,
        batch: BackgroundJob | None = None,
    ) -> None:
        people = list(trainees)
        self.order, self.origin, self.by, self.batch = order, origin, by, batch
        self.programme = Programme.objects.select_related("institution").get(pk=order.programme)
        self.checks = Checks(self.programme, order, people)
        self.built = build.contents_of(order, people)
        self.said_by = _called(self.programme, by)
        self._private = lru_cache(maxsize=1)(actions.private_part)
        self._apart = ThreadPoolExecutor(1)

    def lay(
        self, trainee: str, *, recommends: bool | None, sentence: str | Remark, at: dt.datetime
    ) -> Laid:
        """Raises Refused with a sentence, Unsound where the record contradicts itself,
        Person.DoesNotExist where the person did not belong to the programme by then."""
        text = sentence if isinstance(sentence, str) else (sentence.text or "")
        remarks.check(text, field="sentence")
        # The key is asked for each time: it may be replaced while a batch runs.
        key = key_in_use(self.programme)
        person = self.checks.check(trainee, recommends)
        if trainee not in self.built:
            raise Person.DoesNotExist(trainee)
        built = self.built[trainee]
        said: Recommendation = {
            "recommends": recommends,
            "sentence": text.strip(),
            "by": self.said_by,
            "on": self.programme.local_date(at).isoformat(),
        }
        content = with_recommendation(built.sound(), said)
        code, printed = signing.draw_code(), digest(content)
        seal = _seal(self.origin, code, key)
        return Laid(
            order=replace(self.order, trainee=trainee),
            person=person,
            version_id=built.version.pk if built.version else None,
            recommends=recommends,
            sentence=sentence,
            at=at,
            key=key,
            code=code,
            printed=printed,
            pages=self._apart.submit(pdf.render, content, seal=seal, printed=printed),
        )

    def sign(self, laid: Laid) -> Report:
        """Signed and on record. Raises Refused where a word cannot be printed, and as
        actions.issue does."""
        data = signing.sign(
            laid.pages.result(),
            certificate=laid.key.certificate,
            private=self._private(laid.key),
            at=laid.at,
            reason=_("Issued"),
            field=_("Signature of the programme"),
        )
        signed = actions.Signed(
            order=laid.order.text,
            person=laid.person,
            copy=laid.order.copy,
            performed_by=laid.order.performed_by,
            read_by=laid.order.read_by,
            position=laid.order.position,
            version_id=laid.version_id,
            recommends=laid.recommends,
            code=laid.code,
            content_digest=laid.printed,
            sha256=hashlib.sha256(data).hexdigest(),
            data=data,
            key=laid.key,
        )
        return actions.issue(
            programme=self.programme, signed=signed, sentence=laid.sentence, said_by=self.said_by,
            batch=self.batch, by=self.by, at=laid.at,
        )  # fmt: skip


def issue(
    *,
    order: Order,
    recommends: bool | None,
    sentence: str | Remark,
    origin: str,
    by: Person,
    at: dt.datetime,
    batch: BackgroundJob | None = None,
) -> Report:
    """One trainee's report, signed and on record. Raises as Press.lay and Press.sign do."""
    press = Press(order, [order.trainee], origin=origin, by=by, batch=batch)
    return press.sign(press.lay(order.trainee, recommends=recommends, sentence=sentence, at=at))


def with_recommendation(content: Head, said: Recommendation) -> Head:
    return {**content, "issued": True, "recommendation": said}


def remade(report: Report) -> Head:
    """The content of an issued report, made again from the record as it was at its position.

    Raises Refused where the director's sentence was erased since.
    """
    said: Recommendation = {
        "recommends": report.recommends,
        "sentence": "",
        "by": report.said_by,
        "on": report.said_on.isoformat(),
    }
    if report.sentence is not None:
        if report.sentence.text is None:
            raise Refused(
                _("The director's sentence was erased; the content cannot be made again.")
            )
        said["sentence"] = report.sentence.text
    return with_recommendation(build.content_of(Order.from_text(report.order)), said)


def _called(programme: Programme, person: Person) -> str:
    on_file = PersonEvent.objects.filter(programme=programme, person=person)
    newest = on_file.newest().get(person.pk)
    return newest.name if newest else person.name


def _seal(origin: str, code: str, key: SigningKey) -> pdf.Seal:
    address = f"{origin.rstrip('/')}/check/"
    return pdf.Seal(
        code=signing.spaced(code),
        url=f"{address}?code={code}",
        address=address,
        fingerprint=key.fingerprint,
    )
