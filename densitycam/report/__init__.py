"""What is shown: text, tables, charts, the calibration plot and the annotated photo."""
