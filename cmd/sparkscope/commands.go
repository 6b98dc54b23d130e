package main

import (
	"io"

	"github.com/spf13/cobra"
)

// commands are all subcommands, in the order of the help.
func commands(stdin io.Reader, stdout, stderr io.Writer) []*cobra.Command {
	return []*cobra.Command{
		newMeasureCommand(stdin, stdout, stderr),
		newCheckCommand(stdin, stdout, stderr),
		newLiveCommand(stdin, stdout, stderr),
		newServeCommand(stdout, stderr),
		newPageCommand(stdout),
		newSessionCommand(stdin, stdout, stderr),
		newBatchCommand(stdout, stderr),
		newLogbookCommand(stdin, stdout, stderr),
		newCompareCommand(stdin, stdout, stderr),
		newCalibrateCommand(stdin, stdout, stderr),
		newEngineCommand(stdout),
		newJobCommand(stdout),
		newBenchCommand(stdout),
		newPrintCommand(stdout, stderr),
		newContactsCommand(stdin, stdout, stderr),
		newDemoCommand(stdout, stderr),
		newSimulateCommand(stdout, stderr),
		newStudyCommand(stdout, stderr),
		newUncertaintyTopic(),
	}
}
