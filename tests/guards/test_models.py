"""What every table says of itself."""

from django.apps import apps
from django.db import models

from accounts.models import ProgrammeOwned

HOUSE = ("accounts", "ledger", "logbook", "review", "credentialing")
KINDS = {"append_only", "mutable", "projection"}

# Rows that belong to no programme, each with the reason.
NOBODYS = {
    "ledger.LedgerHead": "a chain is named by text: the ledger knows nobody",
    "ledger.LedgerEntry": "a chain is named by text: the ledger knows nobody",
    "ledger.LedgerBody": "belongs to its entry",
    "accounts.Institution": "stands above programmes",
    "accounts.InstitutionAdministrator": "belongs to an institution",
    "accounts.Programme": "is the programme",
    "accounts.Person": "a person may be in several programmes",
    "accounts.Token": "a key acts for a person",
    "accounts.SignInBucket": "counts attempts before anybody is known",
    "accounts.AccessLog": "written for strangers too; names a programme where there is one",
    "accounts.Notice": "names a programme where there is one",
}

# Times that no person causes, each with the reason.
NO_ACTOR = {
    "credentialing.Report.superseded_at": "the later report says who issued it",
    "accounts.Person.created_at": "the membership's event says who added the person",
    "accounts.Programme.created_at": "the ledger's first entry says who",
}


def house() -> list[type[models.Model]]:
    return [m for label in HOUSE for m in apps.get_app_config(label).get_models()]


def test_every_model_says_whether_it_may_change():
    silent = [m._meta.label for m in house() if getattr(m, "mutability", None) not in KINDS]
    assert silent == []


def test_every_row_that_a_programme_owns_says_so():
    lost = {
        m._meta.label
        for m in house()
        if not issubclass(m, ProgrammeOwned) and m._meta.label not in NOBODYS
    }
    assert lost == set()


def test_the_exceptions_are_still_exceptions():
    owned = {m._meta.label for m in house() if issubclass(m, ProgrammeOwned)}
    assert set(NOBODYS) & owned == set()
    assert set(NOBODYS) <= {m._meta.label for m in house()}


def test_nothing_is_deleted_with_something_else():
    loose = [
        f"{m._meta.label}.{f.name}"
        for m in house()
        for f in m._meta.get_fields()
        if isinstance(f, models.ForeignKey) and f.remote_field.on_delete is not models.PROTECT
    ]
    assert loose == []


def test_columns_that_may_change_once_are_null_until_then():
    wrong = [
        f"{m._meta.label}.{name}"
        for m in house()
        for name in {*getattr(m, "may_change", ()), *getattr(m, "may_erase", ())}
        if not m._meta.get_field(name).null
    ]
    assert wrong == []


def test_loose_columns_belong_to_append_only_tables():
    wrong = [
        m._meta.label
        for m in house()
        if (getattr(m, "may_change", None) or getattr(m, "may_erase", None))
        and m.mutability != "append_only"
    ]
    assert wrong == []


def test_free_text_lives_in_remarks_alone():
    """Text columns hold codes or canonical text; what a person types goes to a Remark."""
    canonical = {
        "accounts.Remark.text": "this is where free text goes",
        "accounts.Notice.context": "JSON of codes and addresses, written by actions",
        "accounts.BackgroundJob.arguments": "canonical JSON of an order",
        "ledger.LedgerEntry.header": "the canonical text that was hashed",
        "ledger.LedgerBody.body": "the canonical text that was hashed; can be redacted",
        "review.RubricVersion.text": "the rubric's canonical text",
        "review.ReadingDraft.text": "a reading in the making; looked at for identifiers on saving, "
        "deleted on signing, when its sentence becomes a Remark",
        "review.Reading.archive_read": "ordinals of captures read in the archive",
        "review.CreditRule.text": "the rule's canonical text",
        "review.Attestation.items": "codes of the rubric's items",
        "review.Attestation.capture_hashes": "canonical list of hashes",
        "review.Attestation.statement": "what was signed, canonical; remarks by digest",
        "credentialing.PlanVersion.sources": "published sources of a plan, from its file",
    }
    found = {
        f"{m._meta.label}.{f.name}"
        for m in house()
        for f in m._meta.get_fields()
        if isinstance(f, models.TextField)
    }
    unexplained = {
        name
        for name in found - canonical.keys()
        if not apps.get_model(name.rsplit(".", 1)[0])
        ._meta.get_field(name.rsplit(".", 1)[1])
        .help_text
    }
    assert unexplained == set(), "say in help_text what canonical text the column holds"
