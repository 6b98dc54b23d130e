//go:build unix

package main

import "os"

// openKeys opens the terminal for reading keys.
func openKeys() (*os.File, error) { return os.OpenFile("/dev/tty", os.O_RDWR, 0) }
