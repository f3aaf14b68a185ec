"""Batch auditor of a photo archive: which settings gave the best frames, per lens and per body.

A photograph travels through the rooms in this order: it is found (`crawl`), identified (`settings`),
measured (`measure`), remembered (`store`), compared (`infer`) and reported (`report`).
`engine` carries frames through the first four in parallel; `artificial` draws frames with known truth.
"""

__version__ = "0.8.0"
