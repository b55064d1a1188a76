"""Scans of power without phase: TRP, TIS and the peak.

fit : PowerFit
peak : ScanPeak, scan_peak
regions : partial_power, partial_uncertainty
scan : PowerScan, SensitivityScan, power_scan
totals : TotalPower, TotalSensitivity, scan_trp, scan_tis
"""
