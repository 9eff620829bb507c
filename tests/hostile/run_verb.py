"""One verb of the command line on many clips, in this process: a line of JSON for each.

``python -m tests.hostile.run_verb VERB CLIP ...``; a crash shows as lines that are missing.
"""

import contextlib
import io
import json
import sys

from clipmark.cli.app import status_of

if __name__ == "__main__":
    verb, *paths = sys.argv[1:]
    for path in paths:
        given, said = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(given), contextlib.redirect_stderr(said):
            status = status_of([verb, path, "--json"])
        if status == 0:
            json.loads(given.getvalue())
        print(json.dumps({"status": status, "said": said.getvalue()}), flush=True)
