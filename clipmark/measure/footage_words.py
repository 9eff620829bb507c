"""What a clip lacks, in words: the most limiting first, each with what to do about it."""

from __future__ import annotations

from collections.abc import Mapping

# What is still good, by key: beyond it the footage is what limits a reading, not the method.
CLIPPED, BLACKENED = 0.01, 0.05  # share of the picture
SPREAD_PX = 1.6
NOISE = 0.015  # of white
BITS_PER_PX = 0.06
BLOCKS = 1.25
REPEATED = 0.7
FLICKER = 0.005
SHAKE_PX = 0.3
LINE_U_DEG, LINE_PX = 0.02, 600
BODY_U_PX = 0.08
LEAST_RATE_HZ = 24.0


def advice_for(facts: Mapping[str, object]) -> tuple[str, ...]:
    """Sentences about what limits readings of this clip, the most limiting first.

    Parameters
    ----------
    facts : mapping
        As printed by ``clipmark footage --json``.
    """
    found: list[tuple[float, str]] = []

    def say(name: str, limit: float, sentence: str, *, below: bool = False) -> None:
        value = facts.get(name)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            over = (limit / value if value > 0 else 9.0) if below else value / limit
            if over > 1:
                found.append((over, sentence.format(value=value, percent=100 * value)))

    say(
        "clipped_white",
        CLIPPED,
        "Exposure clips {percent:.1f} % of the picture at white: edges there move toward the dark "
        "side, and nothing on it can be followed; lower the exposure.",
    )
    say(
        "clipped_black",
        BLACKENED,
        "{percent:.1f} % of the picture is at black: nothing there can be followed; bring light to "
        "it, or raise the exposure.",
    )
    say(
        "edge_spread_px",
        SPREAD_PX,
        "Edges are spread by {value:.1f} px: focus on the board and lock it, use a faster shutter, "
        "and keep the camera still.",
    )
    say(
        "noise_temporal",
        NOISE,
        "Noise is {percent:.1f} % of white: more light lets the camera use a lower gain.",
    )
    say(
        "bits_per_px",
        BITS_PER_PX,
        "The file spends {value:.3f} bits on a pixel: fine texture is coded away; choose a higher "
        "bit rate, and use the file from the card, not a copy sent by messenger.",
        below=True,
    )
    say(
        "blockiness_8",
        BLOCKS,
        "Coding blocks show ({value:.2f} times the steps beside their borders): choose a higher "
        "bit rate.",
    )
    say(
        "repeated_share",
        REPEATED,
        "The encoder repeats {percent:.0f} % of what stands still from picture to picture: its "
        "errors stay, and averaging frames does not lessen them; choose a higher bit rate.",
    )
    say(
        "flicker_share",
        FLICKER,
        "Brightness flickers by {percent:.1f} %: use daylight, lamps that do not flicker, or a "
        "shutter of 1/100 s (1/120 s) and its multiples.",
    )
    say(
        "shake_px",
        SHAKE_PX,
        "The picture shakes by {value:.1f} px (rms): use a tripod, and switch the stabiliser off.",
    )
    say(
        f"line_{LINE_PX}_u_deg",
        LINE_U_DEG,
        f"An edge of {LINE_PX} px is read to {{value:.3f}} deg here (standard): use an edge with "
        "plain, unlike surfaces on both sides, fill the picture with the board, and light it.",
    )
    say(
        "body_u_px",
        BODY_U_PX,
        "A patch is placed to {value:.2f} px only: put a decal with lettering on the body, and "
        "come nearer or zoom in.",
    )
    say(
        "median_rate_hz",
        LEAST_RATE_HZ,
        "{value:.0f} frames a second show little of how evenly a truck creeps: film at 50 or more.",
        below=True,
    )
    found.sort(key=lambda item: -item[0])
    return tuple(sentence for _, sentence in found)
