"""The merge engine: five keyed steps from frames to a picture. Knows no job and no queue."""
