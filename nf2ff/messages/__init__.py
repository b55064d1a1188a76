"""What users are told: the one error of bad input, and warnings that know their code.

input_error : InputError, found_in
notice : Code, Notice
antenna : ExpansionCode
diagnostics : FilterCode, ProjectionCode
level : LevelCode
pattern : PatternCode
planning : PlanCode
power : PowerCode
power_table : TableCode
probe : ProbeCode
ranges : IncidentCode, RangeCode, ZoneCode
result : ResultCode
scan : ReadingCode, UnitCode
solution : SolutionCode
uncertainty : UncertaintyCode
"""
