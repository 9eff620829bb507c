"""clipmark: angles and low-speed motion of small crawlers, measured from recorded clips."""

__version__ = "0.1.0"
