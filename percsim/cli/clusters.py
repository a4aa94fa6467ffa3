"""Options that have boxes computed on other machines."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

from percsim.cli.shared import BAD_INPUT, leave, tell, valued

if TYPE_CHECKING:
    from percsim.boxes.cluster import Cluster

__all__ = ["Address", "TlsAuthority", "TlsCertificate", "TlsKey", "cluster_at"]

Address = Annotated[
    str | None,
    valued(
        "ADDRESS",
        "Compute on the workers of a Dask scheduler, tcp://host:8786 or tls://host:8786, or"
        " on local:4 workers here. No digit depends on it.",
    ),
]
TlsAuthority = Annotated[
    str | None, valued("FILE", "Certificate of the authority of a tls:// cluster (PEM).")
]
TlsCertificate = Annotated[
    str | None, valued("FILE", "Own certificate, signed by that authority (PEM).")
]
TlsKey = Annotated[str | None, valued("FILE", "Key of the own certificate (PEM).")]


@contextmanager
def cluster_at(
    address: str | None,
    authority: str | None,
    certificate: str | None,
    key: str | None,
    *,
    workers: int | None = None,
    quiet: bool = False,
) -> Iterator[Cluster | None]:
    """Open the cluster at an address, checked; none without one."""
    files = (authority, certificate, key)
    if address is None:
        if any(files):
            leave(BAD_INPUT, "--tls-ca, --tls-cert and --tls-key go with --cluster")
        yield None
        return
    if workers is not None:
        leave(
            BAD_INPUT,
            "--workers counts processes of this machine and does not go with --cluster",
        )
    from percsim.boxes.cluster import Certificates, Cluster

    certificates = None
    if authority and certificate and key:
        certificates = Certificates(authority, certificate, key)
    elif any(files):
        leave(BAD_INPUT, "--tls-ca, --tls-cert and --tls-key go together")
    told = (lambda _: None) if quiet else tell
    with Cluster(address, certificates=certificates, told=told) as cluster:
        yield cluster
