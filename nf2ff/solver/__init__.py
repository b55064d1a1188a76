"""From samples to modes.

coverage : Coverage
drift : Drift, scan_drift
methods : dense_matrix
phaseless.reconstruction : Reconstruction, reconstruct
phaseless.certificate : Certificate
positions : Geometry, plan_geometry
problem : Direct, LeastSquares, Problem, Quadrature
solution : Part, Solution, noise_gain
solve : solve, prepare
transmission : TransmissionOperator
"""
