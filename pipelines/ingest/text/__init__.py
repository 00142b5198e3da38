"""Tables of text and Parquet: decoding, dialect, headers, numbers, dates and clocks."""
