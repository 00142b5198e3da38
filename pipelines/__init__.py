"""The stages, in the order of the data. Each is a plain function from tables to tables.

=========================  ==========================================  =================================
stage                      takes                                       gives
=========================  ==========================================  =================================
``ingest``                 files of an inbox                           one ``Parsed`` a file
``task_data``              ISO 11783-10 folders and zips               the same ``Parsed``
``validate``               a ``Parsed``                                the same, rows set aside, judged
``lake``                   judged deliveries                           Delta tables
``work``                   readings of one machine                     the same, aligned and classed
``join``                   readings, adjustments                       readings with setting state
``estimate``               joined readings of a season                 ``effects``
``dashboards``             tables                                      pages and reports
=========================  ==========================================  =================================

``nightly`` calls them one after another, ``command_line`` calls ``nightly`` and its parts, ``flow`` wraps
``nightly`` for the orchestrator. ``simulate`` makes seasons with known truth; ``prove`` holds the estimator
against them.
"""
