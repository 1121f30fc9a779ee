"""Receives the file of a form straight into encrypted staging; nothing of it touches a disk."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, SkipFile, StopUpload

from accounts.fields import uuid7
from logbook import keeping
from logbook.intake.arrival import ArrivalMac
from logbook.intake.staging import ARRIVED, Incoming, TooLarge


@dataclass(frozen=True)
class Arrival:
    """A file that has come whole: where it waits and what is known of it."""

    upload_id: str
    sealed_key: bytes
    sealed_by: str
    size: int
    mac: str
    mac_key_id: str

    def discard(self) -> None:
        """Nobody wants it after all."""
        keeping.staging().remove(self.upload_id)


class StagedFile(UploadedFile):
    """What stands in ``request.FILES``: no content, only the arrival. The sent name is dropped."""

    def __init__(self, arrival: Arrival) -> None:
        super().__init__(file=None, name="file", size=arrival.size)
        self.arrival = arrival


class IntoStaging(FileUploadHandler):
    """Takes the first file of a form, piece by piece; further ones are skipped.

    ``too_large`` says afterwards that the file was cut off for its size.
    """

    chunk_size = 256 * 1024

    def __init__(self, request: Any = None) -> None:
        super().__init__(request)
        self.limit = keeping.limits().file_bytes
        self.too_large = False
        self._taken = False
        self._incoming: Incoming | None = None

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        if self._taken:
            raise SkipFile
        self._taken = True
        self._upload_id = str(uuid7())
        key, self._sealed, self._sealed_by = keeping.fresh_key(self._upload_id)
        self._mac = ArrivalMac(keeping.arrival_key())
        self._incoming = keeping.staging().incoming(
            self._upload_id, ARRIVED, key=key, limit=self.limit
        )

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        try:
            self._incoming.write(raw_data)
        except TooLarge as large:
            self.too_large = True
            self.abort()
            raise StopUpload(connection_reset=False) from large
        self._mac.update(raw_data)

    def file_complete(self, file_size: int) -> StagedFile | None:
        if self._incoming is None:
            return None
        self._incoming.commit()
        size, self._incoming = self._incoming.size, None
        return StagedFile(
            Arrival(
                upload_id=self._upload_id,
                sealed_key=self._sealed,
                sealed_by=self._sealed_by,
                size=size,
                mac=self._mac.hexdigest(),
                mac_key_id=self._mac.key_id,
            )
        )

    def upload_interrupted(self) -> None:
        self.abort()

    def abort(self) -> None:
        """Leaves nothing of a file that has not come whole."""
        if self._incoming is not None:
            with contextlib.suppress(OSError):
                self._incoming.abort()
            self._incoming = None
