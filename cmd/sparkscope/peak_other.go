//go:build !unix

package main

import "os"

// peakMiB is the most memory that a finished process held at once; this
// system does not say: 0.
func peakMiB(*os.ProcessState) float64 { return 0 }

// processorS would be the processor time that this process has used.
func processorS() (s float64, known bool) { return 0, false }
