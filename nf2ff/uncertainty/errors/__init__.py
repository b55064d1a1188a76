"""What can be wrong with a scan, term by term.

catalogue : make_term, apply_terms, apply_each, simulated, solver_degree
error_term : ErrorTerm, RandomEffect
"""
