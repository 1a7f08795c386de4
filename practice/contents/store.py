"""An S3-compatible store: one bucket, one prefix, private objects that are only ever read and written by the site itself.

django-storages keeps the connection of each thread; objects are written and read in one request each. What can go wrong is told apart:

Away      the store does not answer, or does not take us: a sentence for people, and in `why` one for whoever looks after the server
  Wrong   it answers, and says that bucket, key or right is wrong: waiting does not help
Missing   there is no such object
"""

from __future__ import annotations

import base64
import hashlib
import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from django.conf import settings

from practice.errors import UseCaseError
from practice.storage_place import Place

log = logging.getLogger("practice.contents")
PROBE = "probe"  # a key no content has
REST_S = 10.0  # a store that did not answer is not asked again for so long: pages with pictures do not queue up behind it


class Away(UseCaseError):
    """The store cannot serve. Nothing was saved."""

    def __init__(self, why: str) -> None:
        super().__init__(
            "The store of pictures and documents does not answer just now. Nothing was saved: try again in a moment."
        )
        self.why = why

    def __str__(self) -> str:
        return self.why


class Wrong(Away):
    """The store answers, and something that was set is wrong."""


class Missing(Exception):
    """A row holds a key under which there is nothing."""


@dataclass(frozen=True, slots=True)
class Object:
    key: str
    size: int
    at: datetime


def current() -> Store:
    """The store of the settings. Raises Wrong when there is none, although a row says that its bytes are in one."""
    place: Place | None = settings.CONTENTS
    if place is None:
        raise Wrong("Contents are in a store, and DATUMLINE_S3_BUCKET is not set.")
    return _of(place)


@lru_cache(maxsize=4)
def _of(place: Place) -> Store:
    return Store(place)


class Store:
    def __init__(self, place: Place) -> None:
        try:
            from botocore.config import Config
            from storages.backends.s3 import S3Storage
        except ImportError as error:
            raise Wrong("django-storages and boto3 are not installed: install deploy/requirements.lock.") from error
        self.place = place
        self._rests_until = 0.0
        self._storage = S3Storage(
            bucket_name=place.bucket,
            access_key=place.key_id or None,
            secret_key=place.secret or None,
            endpoint_url=place.endpoint or None,
            region_name=place.region,
            default_acl=None,  # private, and nobody is ever given a link
            client_config=Config(
                signature_version="s3v4",
                s3={"addressing_style": place.addressing},
                connect_timeout=place.timeout_s,
                read_timeout=place.timeout_s,
                retries={"mode": "standard", "total_max_attempts": 2},
                # stores that are not Amazon's refuse the newer checksums; Content-MD5 is understood by all
                request_checksum_calculation="when_required",
                response_checksum_validation="when_required",
            ),
        )

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Errors of boto3 as ours, in words; no text of theirs is passed on, it may hold keys."""
        from botocore.exceptions import (
            BotoCoreError,
            ClientError,
            ConnectTimeoutError,
            EndpointConnectionError,
            NoCredentialsError,
            ReadTimeoutError,
            SSLError,
        )

        where = _where(self.place)
        if time.monotonic() < self._rests_until:
            raise Away(f"{where}: it did not answer a moment ago.")
        try:
            yield
        except ClientError as error:
            code = str(error.response.get("Error", {}).get("Code", ""))
            status = int(error.response.get("ResponseMetadata", {}).get("HTTPStatusCode", 0))
            if code in {"NoSuchKey", "404"}:
                raise Missing(f"{where}: an object is not there.") from error
            if code in _SAID or (300 <= status < 500 and status not in {408, 429}):
                raise Wrong(f"{where}: {_SAID.get(code, f'it refuses ({status} {code})')}.") from error
            raise Away(f"{where}: it cannot serve just now ({status} {code}).") from error
        except NoCredentialsError as error:
            raise Wrong(
                f"{where}: there is no key: set DATUMLINE_S3_KEY_ID and DATUMLINE_S3_SECRET, or give this machine a role."
            ) from error
        except SSLError as error:
            raise Wrong(
                f"{where}: its certificate is not trusted here (AWS_CA_BUNDLE names a file of authorities)."
            ) from error
        except (ConnectTimeoutError, ReadTimeoutError) as error:
            self._rests_until = time.monotonic() + REST_S
            raise Away(f"{where}: no answer within {self.place.timeout_s:g} s (DATUMLINE_S3_TIMEOUT_S).") from error
        except EndpointConnectionError as error:
            self._rests_until = time.monotonic() + REST_S
            raise Away(f"{where}: it cannot be reached. Is DATUMLINE_S3_ENDPOINT right, and does the store run?") from error
        except (BotoCoreError, OSError) as error:
            raise Away(f"{where}: {type(error).__name__}.") from error

    def _name(self, key: str) -> str:
        return f"{self.place.prefix}/{key}" if self.place.prefix else key

    def _encryption(self) -> dict[str, str]:
        """Headers for encryption by the store."""
        kind, _, key = self.place.encryption.partition("kms:")
        if key:
            return {"ServerSideEncryption": kind + "kms", "SSEKMSKeyId": key}
        return {"ServerSideEncryption": self.place.encryption} if self.place.encryption else {}

    def put(self, key: str, data: bytes, media_type: str) -> None:
        md5 = base64.b64encode(hashlib.md5(data, usedforsecurity=False).digest()).decode()
        with self._told():
            self._storage.bucket.Object(self._name(key)).put(
                Body=data, ContentType=media_type, ContentMD5=md5, **self._encryption()
            )

    def get(self, key: str) -> bytes:
        with self._told():
            body: bytes = self._storage.bucket.Object(self._name(key)).get()["Body"].read()
        return body

    def size(self, key: str) -> int | None:
        """Bytes of an object; None when there is none."""
        try:
            with self._told():
                return int(self._storage.bucket.Object(self._name(key)).content_length)
        except Missing:
            return None

    def delete(self, key: str) -> None:
        """Also when there is none."""
        with self._told():
            self._storage.bucket.Object(self._name(key)).delete()

    def everything(self) -> Iterator[Object]:
        """All objects under the prefix, in lots of a thousand."""
        lead = f"{self.place.prefix}/" if self.place.prefix else ""
        with self._told():
            for found in self._storage.bucket.objects.filter(Prefix=lead):
                yield Object(found.key[len(lead) :], found.size, found.last_modified)

    def probe(self) -> None:
        """Write, read and delete one small object. Raises Away with what is wrong in plain words."""
        data = b"may be deleted"
        self.put(PROBE, data, "text/plain")
        try:
            same = self.get(PROBE) == data
        except Missing:
            same = False
        if not same:
            raise Wrong(f"Bucket {self.place.bucket}: what was written did not come back.")
        self.delete(PROBE)

    def look(self) -> None:
        """One small question: is there such a bucket, and are we let in? Raises Away."""
        with self._told():
            self._storage.connection.meta.client.list_objects_v2(
                Bucket=self.place.bucket, Prefix=f"{self.place.prefix}/" if self.place.prefix else "", MaxKeys=1
            )


_SAID = {
    "NoSuchBucket": "there is no such bucket",
    "AccessDenied": "this key may not do that there (it needs ListBucket, GetObject, PutObject, DeleteObject)",
    "403": "this key may not do that there, or the key is wrong",
    "InvalidAccessKeyId": "the store does not know DATUMLINE_S3_KEY_ID",
    "SignatureDoesNotMatch": "DATUMLINE_S3_SECRET does not belong to DATUMLINE_S3_KEY_ID, or a proxy changes requests on the way",
    "AuthorizationHeaderMalformed": "DATUMLINE_S3_REGION is another one there",
    "PermanentRedirect": "the bucket is in another region: set DATUMLINE_S3_REGION and DATUMLINE_S3_ENDPOINT",
    "301": "the bucket is in another region: set DATUMLINE_S3_REGION and DATUMLINE_S3_ENDPOINT",
    "RequestTimeTooSkewed": "the clock of this machine is wrong",
    "KMS.NotFoundException": "the key named in DATUMLINE_S3_ENCRYPTION is not there",
    "InvalidArgument": "it does not understand the request: look at DATUMLINE_S3_ENCRYPTION",
    "NotImplemented": "it does not know what is asked of it: look at DATUMLINE_S3_ENCRYPTION",
}


def _where(place: Place) -> str:
    return f"Bucket {place.bucket} at {place.endpoint or 'Amazon, ' + place.region}"
