"""The child program, with jobs that end the way a job may end at worst."""

import os
import signal
import time

from logbook.intake import child


@child.task
def misbehave(request):
    match request["how"]:
        case "crash":
            os.abort()
        case "hang":
            signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGALRM, signal.SIGTERM])
            while True:
                time.sleep(1)
        case "spin":
            while True:
                pass
        case "eat":
            return {"size": len(b"x" * request["bytes"])}
        case "babble":
            return {"noise": "x" * request["bytes"]}
        case _:
            raise RuntimeError(request["how"])


if __name__ == "__main__":
    child.main()
