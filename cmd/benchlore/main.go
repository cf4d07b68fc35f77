// Command benchlore keeps the service history of restored instruments.
package main

import "os"

func main() {
	limitMemory()
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr, hooks{}))
}
