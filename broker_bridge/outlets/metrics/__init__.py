"""Figures for whoever watches the plant's services: OpenMetrics, and whether this process lives and is ready."""
