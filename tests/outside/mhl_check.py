"""Judges the manifests of a folder: by lxml against a grammar, and by hashlib against the files.

Called with the folder. Prints JSON: how much was looked at, and every problem. With ENDBOARD_MHL_SCHEMA naming a folder that
holds ASCMHL.xsd and ASCMHLDirectory.xsd of the ASC, those are asked too.
"""

import hashlib
import json
import os
import re
import sys
from pathlib import Path

from lxml import etree

MHL = "{urn:ASC:MHL:v2.0}"
DIRECTORY = "{urn:ASC:MHL:DIRECTORY:v2.0}"
DIGITS = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"


def number(text):
    value = 0
    for digit in text[2:]:
        value = value * 58 + DIGITS.index(digit)
    return value.to_bytes(64, "big")


def digest(kind, data):
    return hashlib.sha512(data).digest() if kind == "c4" else hashlib.new(kind, data).digest()


def written(kind, text):
    return number(text) if kind == "c4" else bytes.fromhex(text)


def folder(kind, path):
    """Content and structure of a folder, from the files themselves."""
    content, structure = [], []
    for child in path.iterdir():
        if child.name == "ascmhl":
            continue
        if child.is_dir():
            inner = folder(kind, child)
        else:
            inner = (digest(kind, child.read_bytes()),) * 2
        content.append(inner[0])
        structure.append(digest(kind, child.name.encode() + inner[1]))
    return digest(kind, b"".join(sorted(content))), digest(kind, b"".join(sorted(structure)))


def schemas():
    at = os.environ.get("ENDBOARD_MHL_SCHEMA")
    if not at:
        return []
    manifest = etree.XMLSchema(etree.parse(f"{at}/ASCMHL.xsd"))
    text = Path(f"{at}/ASCMHLDirectory.xsd").read_text()
    text = re.sub(r'schemaLocation="[^"]*"', f'schemaLocation="{at}/ASCMHL.xsd"', text)
    return [manifest, etree.XMLSchema(etree.fromstring(text.encode()))]


def main():
    root = Path(sys.argv[1])
    grammar = etree.RelaxNG(etree.parse(str(Path(__file__).with_name("mhl.rng"))))
    problems, files, folders = [], 0, 0
    found = schemas()
    chain = etree.parse(str(root / "ascmhl/ascmhl_chain.xml"))
    if not grammar.validate(chain):
        problems.append(str(grammar.error_log))
    if found and not found[1].validate(chain):
        problems.append(str(found[1].error_log))
    last = None
    for link in chain.getroot():
        path = root / "ascmhl" / link.find(DIRECTORY + "path").text
        if number(link.find(DIRECTORY + "c4").text) != hashlib.sha512(path.read_bytes()).digest():
            problems.append(f"{path}: not as the chain says")
        last = etree.parse(str(path))
        if not grammar.validate(last):
            problems.append(str(grammar.error_log))
        if found and not found[0].validate(last):
            problems.append(str(found[0].error_log))
    seen = set()
    for entry in last.iter(MHL + "hash"):
        name = entry.find(MHL + "path").text
        seen.add(name)
        data = (root / name).read_bytes()
        for kind in ("c4", "md5", "sha1"):
            recorded = entry.find(MHL + kind)
            files += 1
            if recorded is None or written(kind, recorded.text) != digest(kind, data):
                problems.append(f"{name}: {kind}")
    there = {str(p.relative_to(root)) for p in root.rglob("*") if p.is_file()}
    there = {name for name in there if not name.startswith("ascmhl/")}
    if there != seen:
        problems.append(f"listed {seen}, there {there}")
    listed = [(root, last.find(f".//{MHL}roothash"))]
    listed += [(root / e.find(MHL + "path").text, e) for e in last.iter(MHL + "directoryhash")]
    for path, entry in listed:
        for kind in ("c4", "md5", "sha1"):
            folders += 1
            expect = folder(kind, path)
            for part, value in zip(("content", "structure"), expect):
                if written(kind, entry.find(f"{MHL}{part}/{MHL}{kind}").text) != value:
                    problems.append(f"{path}: {part} {kind}")
    print(json.dumps({"files": files, "folders": folders, "problems": problems}))


main()
