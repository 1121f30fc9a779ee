"""Keys, signatures and codes of issued reports. Imports no Django.

A report is signed once (PAdES, ETSI EN 319 142-1, over ISO 32000 signatures) and certified so
that any later change of the file, even one that a reader would otherwise allow, breaks it. The
certificate is the programme's own and self-signed: what binds it to the programme is that the
programme hands it out. ECDSA over P-256 with SHA-256.
"""

from __future__ import annotations

import base64
import hashlib
import io
import re
import secrets
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta

from asn1crypto import keys as asn1_keys
from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.misc import PdfError
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign import fields, signers
from pyhanko.sign.signers.pdf_signer import PdfSigningSession
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko.sign.validation.errors import SignatureValidationError
from pyhanko.sign.validation.status import SignatureCoverageLevel
from pyhanko_certvalidator import ValidationContext
from pyhanko_certvalidator.registry import SimpleCertificateStore

VALID_FOR = timedelta(days=10 * 366)
EARLIER = timedelta(days=1)  # clocks of readers run behind
FIELD = "Issued"
LONGEST_NAME = 64  # of a common or organisation's name, X.520

CODE_BYTES = 16
CODE = re.compile(r"[A-Z2-7]{26}")
# What people type for the letters that the code's alphabet (RFC 4648, base32) has.
MISTAKEN = str.maketrans({"0": "O", "1": "I", "8": "B"})


@dataclass(frozen=True)
class NewKey:
    """`certificate`: PEM; `private`: PKCS #8, DER, never stored as it is."""

    certificate: str
    fingerprint: str
    private: bytes
    valid_until: datetime


def make_key(*, programme: str, institution: str, at: datetime) -> NewKey:
    """A key and its self-signed certificate. `at`: aware."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, institution[:LONGEST_NAME] or "-"),
            x509.NameAttribute(NameOID.COMMON_NAME, programme[:LONGEST_NAME] or "-"),
        ]
    )
    usage = dict.fromkeys(
        [
            "key_encipherment", "data_encipherment", "key_agreement", "key_cert_sign",
            "crl_sign", "encipher_only", "decipher_only",
        ],
        False,
    )  # fmt: skip
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - EARLIER)
        .not_valid_after(at + VALID_FOR)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(digital_signature=True, content_commitment=True, **usage), critical=True
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    return NewKey(
        certificate=certificate.public_bytes(serialization.Encoding.PEM).decode(),
        fingerprint=certificate.fingerprint(hashes.SHA256()).hex(),
        private=key.private_bytes(
            serialization.Encoding.DER,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        ),
        valid_until=certificate.not_valid_after_utc,
    )


class _Signer(signers.PdfSigner):
    """Signs at a given time: the clock is an argument."""

    at: datetime

    def init_signing_session(self, pdf_out, existing_fields_only=False) -> PdfSigningSession:
        session = super().init_signing_session(pdf_out, existing_fields_only)
        session.system_time = self.at
        return session


def sign(
    data: bytes, *, certificate: str, private: bytes, at: datetime, reason: str, field: str
) -> bytes:
    """The PDF with a certifying signature that allows no change after it.

    `field`: what a screen reader calls the signature. Its field is hidden: nothing is drawn, so
    nothing has to be tagged (ISO 14289-1, 7.18.1, from memory).
    """
    meta = signers.PdfSignatureMetadata(
        field_name=FIELD,
        md_algorithm="sha256",
        reason=reason,
        certify=True,
        docmdp_permissions=fields.MDPPerm.NO_CHANGES,
        subfilter=fields.SigSeedSubFilter.PADES,
    )
    spec = fields.SigFieldSpec(
        FIELD,
        readable_field_name=field,
        invis_sig_settings=fields.InvisSigSettings(set_print_flag=False, set_hidden_flag=True),
    )
    pen = _Signer(meta, signer_of(certificate, private), new_field_spec=spec)
    pen.at = at
    out = io.BytesIO()
    writer = IncrementalPdfFileWriter(io.BytesIO(data))
    writer.document_meta.last_modified = at
    # The library runs a loop of its own, which a thread that has one already refuses.
    with ThreadPoolExecutor(1) as apart:
        apart.submit(pen.sign_pdf, writer, output=out).result()
    return out.getvalue()


def signer_of(certificate: str, private: bytes) -> signers.SimpleSigner:
    """`certificate`: PEM; `private`: PKCS #8, DER."""
    return signers.SimpleSigner(
        signing_cert=_certificate(certificate),
        signing_key=asn1_keys.PrivateKeyInfo.load(private),
        cert_registry=SimpleCertificateStore(),
    )


def intact(data: bytes, *, certificates: Iterable[str], moment: datetime) -> bool:
    """Whether the file carries one signature, by one of these certificates, over all its bytes."""
    roots = [_certificate(one) for one in certificates]
    context = ValidationContext(trust_roots=roots, allow_fetching=False, moment=moment)
    try:
        (signature,) = PdfFileReader(io.BytesIO(data)).embedded_signatures
        status = validate_pdf_signature(signature, signer_validation_context=context)
    except (PdfError, SignatureValidationError, ValueError, KeyError, IndexError, TypeError):
        return False
    whole = status.coverage == SignatureCoverageLevel.ENTIRE_FILE
    return bool(status.bottom_line and whole)


def _certificate(pem: str) -> asn1_x509.Certificate:
    loaded = x509.load_pem_x509_certificate(pem.encode())
    return asn1_x509.Certificate.load(loaded.public_bytes(serialization.Encoding.DER))


# --- codes ----------------------------------------------------------------------------------------


def draw_code() -> str:
    """128 random bits as 26 characters of base32."""
    return base64.b32encode(secrets.token_bytes(CODE_BYTES)).decode().rstrip("=")


def spaced(code: str) -> str:
    """As it is printed: groups of five and a last one of six."""
    return " ".join([*(code[start : start + 5] for start in range(0, 20, 5)), code[20:]])


def read_code(text: str) -> str | None:
    """A code as somebody typed or scanned it, or None where it cannot be one."""
    found = re.sub(r"[\s\-–—_.]+", "", text[:200]).upper().translate(MISTAKEN)
    return found if CODE.fullmatch(found) else None


def digest_of_code(code: str) -> str:
    """What is stored and looked up: a guess that shares its beginning with a code finds nothing
    sooner. 128 random bits need no slow hash."""
    return hashlib.sha256(b"report code " + code.encode()).hexdigest()
