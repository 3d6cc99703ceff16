"""Started with Python by test_offline: writes down every use of the network, and stops it."""

import os
import sys

LOG = os.environ["NETWORK_LOG"]
LOOKUPS = ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr")
USES = ("socket.connect", "socket.sendto", "socket.sendmsg", "socket.bind")


def watch(event: str, arguments: tuple[object, ...]) -> None:
    """An address of the internet is a tuple; pipes between processes have paths."""
    if event in LOOKUPS or (event in USES and isinstance(arguments[1], tuple)):
        descriptor = os.open(LOG, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.write(descriptor, f"{event} {arguments[1:]!r}\n".encode())
        os.close(descriptor)
        os._exit(97)


sys.addaudithook(watch)
