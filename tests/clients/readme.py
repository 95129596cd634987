"""Runs the five lines of a shop site as openapi/README.md prints them, in each of the three languages."""

import os
import pathlib
import re
import subprocess
import sys

HERE = pathlib.Path(__file__).parent
MADE = HERE / "made"
README = (HERE / "../../openapi/README.md").read_text()
section = README.split("## A shop site in five lines")[1].split("\n## ")[0]
blocks = dict(re.findall(r"```(sh|ts|py)\n(.*?)```", section, re.S))

sh = "set -eu\n" + blocks["sh"]
ts = (
    'import createClient from "openapi-fetch";\nimport type { paths } from "./made/outshop.js";\n'
    "const { OUTSHOP_URL, WEBSITE_KEY } = process.env;\n" + blocks["ts"] + "if (!list?.items.length || !engine) process.exit(1);\n"
)
py = (
    "import os\nfrom outshop_client import AuthenticatedClient\n"
    "from outshop_client.api.public import get_public_listing, list_public_listings\n"
    "from outshop_client.api.selling import create_enquiry\nfrom outshop_client.models import ListPublicListingsSort, NewEnquiry\n"
    'OUTSHOP_URL, WEBSITE_KEY = os.environ["OUTSHOP_URL"], os.environ["WEBSITE_KEY"]\n' + blocks["py"]
)


def run(name, command, **given):
    done = subprocess.run(command, capture_output=True, text=True, **given)
    print(f"openapi/README.md, {name}: {done.stdout.strip()[-160:]}")
    if done.returncode:
        sys.exit(f"{name} of openapi/README.md failed: {done.stdout}{done.stderr}")


run("curl", ["bash"], input=sh)
(HERE / "readme.ts").write_text(ts)
try:
    run("TypeScript, compiled", ["npx", "tsc", "-p", "."], cwd=HERE)
    run("TypeScript", ["node", MADE / "readme.js"])
finally:
    (HERE / "readme.ts").unlink()
run("Python", [sys.executable], input=py)
