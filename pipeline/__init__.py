"""washfast: order manifests in, press-ready art and job tickets out."""

__version__ = "0.1.0"
