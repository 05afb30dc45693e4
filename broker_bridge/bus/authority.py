"""The plant's own certificate authority: it signs one kind of certificate, that of the broker.

Elliptic curve P-256. Names are in subjectAltName only, as TLS clients demand (RFC 9525); the authority may sign no
further authority.
"""

import ipaddress
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from broker_bridge.errors import ConfigError

AUTHORITY_DAYS: Final = 3653
SERVER_DAYS: Final = 398
_BEFORE: Final = timedelta(hours=1)
"""Certificates hold from an hour ago on: clocks of a plant are never all alike."""


class Signed(NamedTuple):
    """A certificate and its private key, both as PEM text."""

    certificate: str
    key: str


def make_authority(plant: str, now: datetime) -> Signed:
    """A new authority."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"{plant} broker authority"[:64])])
    builder = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _BEFORE)
        .not_valid_after(now + timedelta(days=AUTHORITY_DAYS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    return _signed(builder.sign(key, hashes.SHA256()), key)


def make_server(authority: Signed, names: Sequence[str], now: datetime, days: float = SERVER_DAYS) -> Signed:
    """A certificate for the host names and addresses under which clients reach the broker.

    Raises ConfigError for an authority that cannot be read.
    """
    issuer = read_certificate(authority.certificate)
    issuer_key = _private(authority.key)
    key = ec.generate_private_key(ec.SECP256R1())
    builder = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "broker")]))
        .issuer_name(issuer.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(min(now, now + timedelta(days=days)) - _BEFORE)
        .not_valid_after(min(now + timedelta(days=days), issuer.not_valid_after_utc))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName([_general(name) for name in names]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer_key.public_key()), critical=False
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    return _signed(builder.sign(issuer_key, hashes.SHA256()), key)


def read_certificate(pem: str) -> x509.Certificate:
    """The certificate in a PEM text. Raises ConfigError."""
    try:
        return x509.load_pem_x509_certificate(pem.encode())
    except ValueError as error:
        raise ConfigError(f"not a certificate: {error}") from error


def read_chain(path: Path) -> list[x509.Certificate]:
    """The certificates in a PEM file, in their order. Raises ConfigError."""
    try:
        return x509.load_pem_x509_certificates(path.read_bytes())
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from error
    except ValueError as error:
        raise ConfigError(f"{path}: not a certificate: {error}") from error


def covers(listed: Sequence[str], name: str) -> bool:
    """Whether a certificate for these names is one for this host; `*` stands for one label, the first (RFC 9525, 6.3)."""
    wanted = name.lower().rstrip(".")
    below = "*." + wanted.partition(".")[2]
    return any(one.lower() in (wanted, below) for one in listed)


def leads_to(chain: Sequence[x509.Certificate], roots: Sequence[x509.Certificate]) -> bool:
    """Whether the first certificate of a chain is one of these authorities' own, directly or by way of the others."""
    last, between = chain[0], list(chain[1:])
    while not any(signed_by(last, root) for root in roots):
        above = next((one for one in between if signed_by(last, one)), None)
        if above is None:
            return False
        between.remove(above)
        last = above
    return True


def names_of(certificate: x509.Certificate) -> list[str]:
    """The host names and addresses it is for."""
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return []
    return [
        *found.get_values_for_type(x509.DNSName),
        *(str(address) for address in found.get_values_for_type(x509.IPAddress)),
    ]


def signed_by(certificate: x509.Certificate, authority: x509.Certificate) -> bool:
    """Whether this authority has signed it."""
    try:
        certificate.verify_directly_issued_by(authority)
    except Exception:  # whatever the library cannot verify is not verified
        return False
    return True


def _signed(certificate: x509.Certificate, key: ec.EllipticCurvePrivateKey) -> Signed:
    return Signed(
        certificate.public_bytes(serialization.Encoding.PEM).decode(),
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        ).decode(),
    )


def _private(pem: str) -> ec.EllipticCurvePrivateKey:
    try:
        key = serialization.load_pem_private_key(pem.encode(), None)
    except (ValueError, TypeError):
        raise ConfigError("the authority's key cannot be read") from None
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise ConfigError("the authority's key is not on an elliptic curve")
    return key


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs,
        crl_sign=signs,
        encipher_only=False,
        decipher_only=False,
    )
