"""From samples to modes.

coverage : Coverage
direct : dense_matrix
drift : Drift, scan_drift
line_phases : PhaseJumps, judge_phases, naming_jumps, phase_jumps
phaseless.reconstruction : Reconstruction, reconstruct
phaseless.certificate : Certificate
positions : Geometry, plan_geometry
problem : Problem
solution : Part, Solution, noise_gain, noise_gains
solve : solve, prepare
strategy : Direct, LeastSquares, Quadrature
transmission : TransmissionOperator
"""
