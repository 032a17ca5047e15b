"""Results of the library as they stand, held in data files: what a rebuilt engine must give."""
