"""As much of curl as the tutorial needs, for machines without it.

``-X METHOD -H HEADER -d BODY --data-binary @FILE -sS URL``
"""

from __future__ import annotations

import http.client
import sys
from pathlib import Path
from urllib.parse import urlsplit


def main(words: list[str]) -> None:
    """Send one request and write the body of its answer."""
    method, body, headers, url = "", None, {}, ""
    rest = iter(words)
    for word in rest:
        if word == "-X":
            method = next(rest)
        elif word == "-H":
            name, _, value = next(rest).partition(":")
            headers[name] = value.strip()
        elif word in ("-d", "--data-binary"):
            given = next(rest)
            body = Path(given[1:]).read_bytes() if given.startswith("@") else given.encode()
        elif not word.startswith("-"):
            url = word
    parts = urlsplit(url)
    connection = http.client.HTTPConnection(parts.netloc, timeout=60)
    target = f"{parts.path}?{parts.query}" if parts.query else parts.path
    connection.request(method or ("POST" if body else "GET"), target, body, headers)
    sys.stdout.buffer.write(connection.getresponse().read())
    connection.close()


if __name__ == "__main__":
    main(sys.argv[1:])
