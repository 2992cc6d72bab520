"""The turnover document: what a record says, as a document that people sign (PDF, one-file HTML, XLSX)."""
