"""Certificates made for a test, by OpenSSL: for servers on loopback that speak TLS."""

import subprocess
from pathlib import Path


def new_certificate(folder: Path, *, address: str = "127.0.0.1", name: str = "store") -> str:
    """Make a certificate that vouches for itself, good for an address.

    Returns:
        A file that holds it and its key.
    """
    certificate, key = folder / f"{name}.crt", folder / f"{name}.key"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", f"/CN={name}", "-addext", f"subjectAltName=IP:{address}"),
            *("-keyout", str(key), "-out", str(certificate)),
        ],
        check=True,
        capture_output=True,
    )
    both = folder / f"{name}.pem"
    both.write_bytes(certificate.read_bytes() + key.read_bytes())
    return str(both)
