"""The steps that bring a job store of any age to today's tables, in `versions/`, numbered in their order.

A step never imports `model`: it describes the tables as they were. It has to keep rows in every state, since it runs
on stores with jobs in flight. To add one, change `model`, write ``versions/m000N_subject.py`` with its number, the number
before it and ``upgrade()``; tests compare where the steps lead with the model, and run them on jobs in flight. At SQLite
a table that changes more than by a new column is rebuilt (``batch_alter_table``), which drops its triggers.
"""
