"""What the PDF of a pack may read: files inside the pack's folder and its own fonts, nothing else.

Imported only where the PDF library is there.
"""

from __future__ import annotations

import mimetypes
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from weasyprint.urls import URLFetcher, URLFetcherResponse


class ConfinedFetcher(URLFetcher):  # type: ignore[misc]
    """Reads `data:` addresses, files inside `folder` (links in it are followed first) and the named `files`.

    `charts` are those of the page that is laid out, by their address. Every other address is refused and kept in
    `refused`: the document is made without what it names.
    """

    def __init__(self, folder: Path, files: Sequence[Path] = ()) -> None:
        super().__init__(allowed_protocols=("data",), allow_redirects=False)
        self._folder = folder.resolve()
        self._files = frozenset(file.resolve() for file in files)
        self.charts: Mapping[str, bytes] = {}
        self.refused: list[str] = []

    def fetch(self, url: str, headers: Any = None) -> Any:
        """Return what is at an address.

        Raises
        ------
        ValueError
            The address is neither data nor a chart of the page nor a file that may be read.
        """
        if url in self.charts:
            return URLFetcherResponse(url, self.charts[url], {"Content-Type": "image/svg+xml"})
        scheme = url.partition(":")[0].lower()
        if scheme == "data":
            return super().fetch(url, headers)
        path = self._allowed(url) if scheme == "file" else None
        if path is None:
            if url not in self.refused:
                self.refused.append(url)
            raise ValueError("outside the folder of the pack")
        kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
        return URLFetcherResponse(url, path.read_bytes(), {"Content-Type": kind})

    def _allowed(self, url: str) -> Path | None:
        told = urlsplit(url)
        if told.netloc:
            return None  # a folder of another machine
        try:
            path = Path(url2pathname(unquote(told.path))).resolve(strict=True)
        except (OSError, ValueError):
            return None
        inside = path.is_relative_to(self._folder) and path.is_file()
        return path if inside or path in self._files else None
