"""Packets judged by others: bags by the `bagit` library (Library of Congress), zips by Python's `zipfile`.

Arguments: a packet as a folder, a packet as a zip, a folder to make a bag of. Prints JSON: what each judge says.
"""

import json
import os
import sys
import tempfile
import zipfile

import bagit


def judged(folder):
    bag = bagit.Bag(folder)
    bag.validate()
    return {
        "version": bag.version,
        "algorithms": sorted(bag.algorithms),
        "payload": sorted(path.replace(os.sep, "/") for path in bag.payload_files()),
        "info": {key: bag.info[key] for key in ("External-Identifier", "Payload-Oxum", "Bagging-Date")},
    }


def main(folder, packed, plain):
    answer = {"folder": judged(folder)}
    with zipfile.ZipFile(packed) as archive:
        answer["bad"] = archive.testzip()
        answer["dates"] = sorted({str(info.date_time) for info in archive.infolist()})
        with tempfile.TemporaryDirectory() as place:
            archive.extractall(place)
            (name,) = os.listdir(place)
            answer["zip"] = judged(os.path.join(place, name))
    bagit.make_bag(plain, {"Source-Organization": "The Brine Lamp"}, checksums=["md5", "sha1", "sha256", "sha512"])
    bagit.Bag(plain).validate()
    json.dump(answer, sys.stdout)


main(*sys.argv[1:])
