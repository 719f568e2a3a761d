"""The files of an encrypted connection. Shell: it reads the disk."""

import ssl

from bridge.errors import HubError
from bridge.hub.broker import TlsSettings


def tls_context(tls: TlsSettings) -> ssl.SSLContext:
    """Read the files; with no authority given, those of the operating system are trusted.

    :raises HubError: a file is missing, is no certificate or key, or the two do not belong together.
    """
    try:
        context = ssl.create_default_context(cafile=None if tls.ca_file is None else str(tls.ca_file))
        if tls.cert_file is not None and tls.key_file is not None:
            # Without this, OpenSSL would ask for the passphrase of a locked key on the terminal, and wait.
            context.load_cert_chain(tls.cert_file, tls.key_file, password=lambda: "")
    except (OSError, ValueError) as error:
        files = ", ".join(
            str(file) for file in (tls.ca_file, tls.cert_file, tls.key_file) if file is not None
        )
        raise HubError(f"the TLS files ({files}) cannot be used: {error}") from error
    return context
