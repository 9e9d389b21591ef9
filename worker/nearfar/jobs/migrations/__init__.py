"""The steps that bring a job store of any age to today's tables, in `versions/`, numbered in their order.

A step never imports `model`: it tells of the tables as they were. It has to keep rows in every state, since it runs
on stores with jobs in flight.
"""
