#!/bin/sh
# Draws the pictures of operators.md from a rebuilt demo film: sh docs/draw.sh DEMO-FOLDER
# Set ENDBOARD to the program when it is not on the PATH. Pictures that cannot be drawn are named, and the exit code is 1.
set -u

film=${1:?"give the folder of a rebuilt demo film"}
program=${ENDBOARD:-endboard}
here=$(cd "$(dirname "$0")" && pwd)
failed=0
mkdir -p "$here/pictures"

# draw NAME COMMAND ARGUMENT...
draw() {
    name=$1
    shift
    rm -f "$here/pictures/$name.png"
    "$program" -C "$film" "$@" --out "$here/pictures/$name.png" || {
        echo "not drawn: $name" >&2
        failed=1
    }
}

draw plate compare br030/take.clean br030/take.duel@1022 --width 640
draw retime sheet br060/ramp@1020-1035 --every 3 --across 3 --width 212
draw roto compare br050/take.left br050/roto@1020 --beside --width 320
draw paint-out compare br030/take.duel br030/cleanup@1022 --beside --part 640,60,320,300 --width 320
draw paint-out-time compare br010/plate br010/cleanup@1030 --beside --part 640,200,240,180 --width 320
draw paint-out-around compare br080/plate br080/cleanup@1020 --beside --part 200,400,300,130 --width 320
draw blades compare br020/plate br020/blades@1017 --width 640
draw burst sheet br040/blades@1009-1014 --every 1 --across 3 --part 474,340,160,120 --width 212
draw passes compare br055/take.clean br055/join@1020 --beside --width 400
draw grade compare br030/blades br030/colour@1030 --beside --width 400
draw match sheet br020/colour@1022 br030/colour@1022 br040/colour@1022 --every 1 --across 3 --width 212
draw assemble sheet film/assembly --every 24 --across 4 --width 160
draw print sheet film/review@86300-86450 --every 50 --across 2 --width 320

exit $failed
