"""The process that sends a notification: `python -m pipeline.operations.send_notification VARIABLE`.

Standard input holds the message as JSON. Only this process reads the addresses, which contain passwords, and nothing about them leaves it:
logging is off and standard error is discarded. It prints the kind of service of each address and whether the service accepted the message.
"""

import json
import logging
import os
import sys
from collections.abc import Mapping, Sequence


def send_each(message: Mapping[str, str], addresses: Sequence[str]) -> list[tuple[str, bool]]:
    """Send severity, title and body as plain text; return each address's kind of service and whether it accepted."""
    import apprise

    asset = apprise.AppriseAsset(app_id="pitchledger", app_desc="pitchledger", app_url="", image_url_mask="")
    answers = []
    for address in addresses:
        service = apprise.Apprise(asset=asset)
        known = service.add(address)
        sent = known and service.notify(
            body=message["body"],
            title=message["title"],
            notify_type=apprise.NotifyType(message["severity"]),
            body_format=apprise.NotifyFormat.TEXT,
        )
        answers.append((str(service[0].schema) if known else "an invalid address", bool(sent)))
    return answers


def main() -> None:
    """Send the message to the addresses in the named environment variable, separated by spaces."""
    logging.disable(logging.CRITICAL)
    print(json.dumps(send_each(json.load(sys.stdin), os.environ[sys.argv[1]].split())))


if __name__ == "__main__":
    main()
