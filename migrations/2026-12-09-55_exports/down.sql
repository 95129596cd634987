DROP TABLE exports;
