"""A certificate authority for the time of a test (cryptography), and certificates that it signs."""

from __future__ import annotations

import ipaddress
import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

NAME = "lowmark.harrow-lane.example"


class Authority:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Harrow Lane test authority")])
        made = self._begun(self._name, self._key).issuer_name(self._name)
        made = made.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        usage = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
        root = made.add_extension(usage, critical=True).sign(self._key, hashes.SHA256())
        self.root = folder / "root.pem"
        self.root.write_bytes(root.public_bytes(serialization.Encoding.PEM))

    def issue(self, file: str, password: bytes | None = None) -> tuple[Path, Path]:
        """A certificate for NAME, localhost and 127.0.0.1, and its key."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAME)])
        names: list[x509.GeneralName] = [x509.DNSName(NAME), x509.DNSName("localhost")]
        names.append(x509.IPAddress(ipaddress.ip_address("127.0.0.1")))
        made = self._begun(subject, key).issuer_name(self._name)
        made = made.add_extension(x509.SubjectAlternativeName(names), critical=False)
        signed = made.sign(self._key, hashes.SHA256())
        certificate, secret = self.folder / f"{file}.pem", self.folder / f"{file}.key"
        certificate.write_bytes(signed.public_bytes(serialization.Encoding.PEM))
        how: serialization.KeySerializationEncryption = serialization.NoEncryption()
        if password is not None:
            how = serialization.BestAvailableEncryption(password)
        secret.write_bytes(key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, how))
        return certificate, secret

    def trusting(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.root))

    @staticmethod
    def _begun(name: x509.Name, key: ec.EllipticCurvePrivateKey) -> x509.CertificateBuilder:
        now = datetime.now(UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(hours=1))
            .not_valid_after(now + timedelta(days=2))
        )
