//go:build !unix

package main

import "os"

// openKeys opens the console for reading keys.
func openKeys() (*os.File, error) { return os.OpenFile("CONIN$", os.O_RDWR, 0) }
