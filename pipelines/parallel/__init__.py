"""How the work of a stage is spread: in turn, threads, processes of this machine, Dask workers."""
