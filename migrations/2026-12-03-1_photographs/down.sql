DROP TABLE photograph_sizes, photographs;
