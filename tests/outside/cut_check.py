"""Edit lists and OTIO files as OpenTimelineIO 0.18.1 and its adapter for edit lists read them.

Reads a text from the standard input and writes JSON: tracks and what is in them, in whole frames. Knows nothing of the program
that asks. `cut_check.py edl RATE` or `cut_check.py otio RATE`.
"""
import json
import sys

import opentimelineio as otio


def scalar(clip):
    product = 1.0
    for effect in clip.effects:
        if isinstance(effect, otio.schema.LinearTimeWarp):
            product *= effect.time_scalar
    return product


def item(track, thing):
    if isinstance(thing, otio.schema.Transition):
        return {
            "kind": "transition",
            "type": thing.transition_type,
            "before": thing.in_offset.value,
            "after": thing.out_offset.value,
        }
    source = thing.trimmed_range()
    at = track.range_of_child(thing)
    out = {
        "kind": "gap" if isinstance(thing, otio.schema.Gap) else "clip",
        "name": thing.name,
        "start": source.start_time.value,
        "frames": source.duration.value,
        "rate": source.start_time.rate,
        "at": at.start_time.value,
        "scalar": scalar(thing),
        "frozen": any(isinstance(e, otio.schema.FreezeFrame) for e in thing.effects),
        "cdl": dict(thing.metadata.get("cdl", {})) and {
            "sat": thing.metadata["cdl"]["asc_sat"],
            "slope": list(thing.metadata["cdl"]["asc_sop"]["slope"]),
        },
    }
    media = getattr(thing, "media_reference", None)
    if isinstance(media, otio.schema.ImageSequenceReference):
        out["first_file"] = media.target_url_for_image_number(0)
        out["last_file"] = media.target_url_for_image_number(media.number_of_images_in_sequence() - 1)
    return out


def main(kind, rate):
    text = sys.stdin.buffer.read().decode()
    if kind == "edl":
        # It knows the exact rate only.
        exact = 30000 / 1001 if rate == "29.97" else float(rate)
        timeline = otio.adapters.read_from_string(text, "cmx_3600", rate=exact)
    else:
        timeline = otio.adapters.read_from_string(text, "otio_json")
    start = timeline.global_start_time
    tracks = [
        {"kind": track.kind, "name": track.name, "items": [item(track, thing) for thing in track]}
        for track in timeline.tracks
    ]
    json.dump({"name": timeline.name, "start": start and start.value, "tracks": tracks}, sys.stdout)


main(*sys.argv[1:])
