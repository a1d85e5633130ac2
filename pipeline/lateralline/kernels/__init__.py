"""Arrays in, arrays out: numpy and scipy only, no files, no validation.

Mathematics
-----------
Field. Point dipole, B ∝ [3(m̂·n)n − m̂]/R³. In the transmitter's axes with p = m̂·r, b = 3p r −
R² m̂ is a polynomial; every condition is a component of b/|b| or of R·∇ln|B|, and every
Jacobian is a few lines (`kernels/conditions.py`). A transmitter with a known `rod_length` is a
pair of poles instead; against a magnetised cylinder of magpylib its end null agrees to 1e-4 of
the depth.

Conditions and noise. End null: both horizontal components vanish. Mid null: the vertical one
does. Each is a field direction, so its noise is the receiver's angle δφ plus the mark's
position error carried through ∂f/∂r; that is what makes a null blunter with depth. Peaks: the
gradient of the field strength along the ground vanishes, scaled by its curvature so the
residual is in depths: across the axis curvature 3, along it 9 for the axial component. Equal
loss of strength then gives the axial peak σ 0.05 d across and 0.029 d along. The whole field is
quartic-flat along the axis: that component is a soft place (0.20 d), its mean shifted to where
the tilt puts the top when the tilt is told better than twice its doubt, and widened by how far
the top wanders when it is not.

Iteration. Marquardt's damping, one λ per stop, weights frozen at each accepted point: what is
solved is JᵀS⁻¹f = 0. Solving min (fᵀS⁻¹f) with S free would let a stop buy a better fit by
moving to where its noise is larger.
"""
