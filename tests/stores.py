"""A real server of the S3 protocol over HTTP on loopback (moto, a general library), and an empty bucket that the settings name."""

from __future__ import annotations

import pytest

from practice.contents import store
from practice.storage_place import Place

FOLDER = "records/site-1"


@pytest.fixture(scope="session")
def server():
    from moto.server import ThreadedMotoServer  # only where it is wanted: it takes a second to import

    made = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    made.start()
    host, port = made.get_host_and_port()
    yield f"http://{host}:{port}"
    made.stop()


@pytest.fixture
def bucket(server, settings):
    import boto3

    s3 = boto3.resource(
        "s3", endpoint_url=server, region_name="us-east-1", aws_access_key_id="k", aws_secret_access_key="s"
    )
    made = s3.create_bucket(Bucket="practice-records")
    settings.CONTENTS = place(server)
    store._of.cache_clear()
    yield made
    made.objects.delete()
    made.delete()


def place(endpoint: str, **more) -> Place:
    return Place(**{
        "bucket": "practice-records", "prefix": FOLDER, "endpoint": endpoint, "key_id": "k", "secret": "s", "encryption": "AES256",
        "addressing": "path", "timeout_s": 20, **more,
    })  # fmt: skip


def keys_of(bucket) -> list[str]:
    return sorted(o.key for o in bucket.objects.all())


def environment_of(of: Place) -> dict[str, str]:
    """For commands in a process of their own; with more patience, since the machine may be busy."""
    return {
        "DATUMLINE_STORAGE": "s3",
        "DATUMLINE_S3_BUCKET": f"{of.bucket}/{of.prefix}",
        "DATUMLINE_S3_ENDPOINT": of.endpoint,
        "DATUMLINE_S3_KEY_ID": of.key_id,
        "DATUMLINE_S3_SECRET": of.secret,
        "DATUMLINE_S3_ADDRESSING": of.addressing,
        "DATUMLINE_S3_TIMEOUT_S": "20",
    }
