//go:build unix

package main

import (
	"os"
	"runtime"
	"syscall"
)

// peakMiB is the most memory that a finished process held at once, MiB; 0
// when the system does not say.
func peakMiB(p *os.ProcessState) float64 {
	u, ok := p.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0
	}
	if runtime.GOOS == "darwin" || runtime.GOOS == "ios" {
		return float64(u.Maxrss) / (1 << 20) // bytes there
	}
	return float64(u.Maxrss) / (1 << 10)
}
