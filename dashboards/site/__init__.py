"""The folder of a site: what is in it, what each page was made from, what is kept for the next run."""
