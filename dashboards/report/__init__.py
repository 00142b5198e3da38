"""The season report: as a page, a PDF and a workbook."""
