// Command generate writes the spreadsheets of the demo.
//
//	go run ./testdata/demo/generate
package main

import (
	"fmt"
	"os"
	"path/filepath"

	"strandline.example/strandline/testdata/demo/scenario"
)

func main() {
	dir := filepath.Join("testdata", "demo")
	if len(os.Args) > 1 {
		dir = os.Args[1]
	}
	for name, content := range scenario.Files() {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o644); err != nil {
			fmt.Fprintln(os.Stderr, "generate:", err)
			os.Exit(1)
		}
	}
}
