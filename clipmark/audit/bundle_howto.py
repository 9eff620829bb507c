"""How a bundle is checked by hand: commands that need no clipmark. Pure text.

The same words stand on the page in every bundle; the tests run the commands.
"""

from __future__ import annotations

SUMS_COMMAND = "sha256sum -c SHA256SUMS"

CHAIN_PROGRAM = """\
import hashlib
before = "0" * 64
for number, line in enumerate(open("record/journal.jsonl", "rb"), 1):
    line = line.rstrip(b"\\n")
    own = line[-66:-2].decode()
    if hashlib.sha256(line[:-77] + b"}").hexdigest() != own:
        raise SystemExit(f"line {number} was changed")
    if f'"previous":"{before}"'.encode() not in line:
        raise SystemExit(f"line {number} does not follow the line before it")
    before = own
print("the chain is whole; its head is", before)
"""

FRAME_PROGRAM = """\
import array, hashlib, struct, sys, zlib
data, depth = open(sys.argv[1], "rb").read(), int(sys.argv[2])
width, height, bits = struct.unpack(">2IB", data[16:25])
(size,) = struct.unpack(">I", data[33:37])
rows = zlib.decompress(data[41 : 41 + size])
step = 1 + width * bits // 8
luma = b"".join(rows[row * step + 1 : (row + 1) * step] for row in range(height))
if bits == 16:
    values = array.array("H", luma)
    values.byteswap()
    luma = values.tobytes()
print(hashlib.sha256(struct.pack("<3I", width, height, depth) + luma).hexdigest())
"""

LINE_COMMAND = (
    'sed -n {seq}p record/journal.jsonl | sed \'s/,"sha256":"[0-9a-f]*"}}$/}}/\' '
    "| tr -d '\\n' | sha256sum"
)
