"""`python -m deploy.probe healthz`: ask the web server here; exit 0 where it says 200."""

import http.client
import os
import sys


def main() -> int:
    path = sys.argv[1] if len(sys.argv) > 1 else "readyz"
    host = os.environ.get("INTERSPACE_HOSTS", "127.0.0.1").split(",")[0].strip()
    link = http.client.HTTPConnection("127.0.0.1", int(os.environ.get("PORT", "8000")), timeout=5)
    try:
        link.request("GET", f"/{path}", headers={"Host": host})
        return 0 if link.getresponse().status == 200 else 1
    except OSError:
        return 1
    finally:
        link.close()


if __name__ == "__main__":
    sys.exit(main())
