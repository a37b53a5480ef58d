"""The process that sends a notification: `python -m pipeline.operations.send_notification VARIABLE`, the message as JSON on standard input.

It alone reads the addresses, which hold passwords, and nothing that it or a library says of them leaves it: its log is off, its standard
error goes nowhere. It prints for each address the kind of service, and whether that took the message.
"""

import json
import logging
import os
import sys
from collections.abc import Mapping, Sequence


def send_each(story: Mapping[str, str], addresses: Sequence[str]) -> list[tuple[str, bool]]:
    """Send weight, title and body as plain text to every address. Returns its kind of service, and whether that took it."""
    import apprise

    asset = apprise.AppriseAsset(app_id="pitchledger", app_desc="pitchledger", app_url="", image_url_mask="")
    answers = []
    for address in addresses:
        service = apprise.Apprise(asset=asset)
        known = service.add(address)
        sent = known and service.notify(
            body=story["body"],
            title=story["title"],
            notify_type=apprise.NotifyType(story["weight"]),
            body_format=apprise.NotifyFormat.TEXT,
        )
        answers.append((str(service[0].schema) if known else "an address that is none", bool(sent)))
    return answers


def main() -> None:
    """Send what standard input holds to the addresses in the environment variable that the command line names, parted by blanks."""
    logging.disable(logging.CRITICAL)
    print(json.dumps(send_each(json.load(sys.stdin), os.environ[sys.argv[1]].split())))


if __name__ == "__main__":
    main()
