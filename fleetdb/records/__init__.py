"""The domain: the documents a fleet and its workshops send, and what may be wrong with them."""
