"""The records of a laboratory as models: samples, people and the like.  Pure; the store keeps them in revisions."""
