"""What clipmark costs, as ratios taken in one run: ``python -m benchmarks``.

Each module measures one thing and compares it with something known in the same minutes on the same
machine, so that its ratios mean something on another one. Times of rounds are interleaved and their
medians taken.
"""
