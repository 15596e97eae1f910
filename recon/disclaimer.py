"""The caution every report, page and README shows."""

CAUTION = (
    "For rehearsal, teaching and research. Not a medical device; not for intra-operative guidance. "
    "Predictions rest on segmentation and on a rigid model and can be wrong. A licensed surgeon checks level, "
    "side and every number against the original images, and local protocol decides."
)
