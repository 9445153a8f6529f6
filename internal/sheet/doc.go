// Package sheet reads CSV files the way shops' spreadsheets write them, and says exactly what is wrong with them.
//
// It decides how bytes become cells: the encoding (UTF-8 with or without its mark, UTF-16 with its mark, Windows-1252), the
// separator (comma, semicolon or tab, whichever makes sense of the header), quotes, line ends, blank lines and empty columns;
// and how cells become numbers, dates and instants. What can be read in two ways is refused with what to write instead.
//
// A file is a stream: memory is bounded by one row (at most MaxRow bytes), whatever the size of the file. Every problem
// names file, line, column, value and remedy; a problem in one row does not hide those in the next.
//
// The package knows nothing of units, shops or services: the caller's Schema names the columns.
package sheet
