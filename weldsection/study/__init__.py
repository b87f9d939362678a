"""Comparing settings: from a plan and measured sections to an answer in words.

Works on plain numbers and tables; no photo is needed. From the bottom up::

    terms       quantities and settings: names, units, labels
    tables      beads.csv and section records → rows
    logsheet    the sheet kept while welding → rows
    join        rows of several photos, cuts and faces → beads
    points      one quantity of every bead against one setting, with weights
    fit         weighted least squares → parameters and their uncertainty
    curves      line, line-then-flat, quadratic-then-flat, two lines
    band        how well a shape is known at each setting
    trend       which curve, where it breaks, and what may be said
    groups      settings that cannot be told apart by more than a margin
    window      settings at which all wishes hold
    heat, runorder, plausibility, design, sections, outliers, coupons
                checks on the way
    compare     the procedure
    gather      files and words of the command line → the procedure
    words, findings, figures, strip, results      what is written
    plan, plan_page, plan_files                   before anything is welded
"""
