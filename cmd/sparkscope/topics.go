package main

import "github.com/spf13/cobra"

// newUncertaintyTopic is "sparkscope help uncertainty": no command, as it runs
// nothing, but a text.
func newUncertaintyTopic() *cobra.Command {
	return &cobra.Command{
		Use:   "uncertainty",
		Short: "What the ± means, and how to make it smaller",
		Long:  uncertaintyText,
	}
}

const uncertaintyText = `What the ± means

"Fires at 18.3° before top dead centre (±0.6°)": the mean of the sparks that
were counted lies between 17.7° and 18.9°, at a coverage of 95 %. Of a hundred
such answers, at most five should be off by more. The scatter is another figure: how
much one spark of the engine differs from the next. A worn engine may scatter by
2° and its mean be known to ±0.3°, or the other way about.

What is in it. Each source is a line of the list at the end of the answer, with
how well it is known, what it does to the angle, and its share of the whole:

  reference angle     your degree wheel; the same error at every speed
  reference delay,    how late the pick-ups are; an error that grows in
  spark delay         proportion to speed: 10 µs are 0.06° at 1000 rpm and
                      0.36° at 6000
  speed variation     the crank slows on compression and hurries on combustion;
                      one magnet a turn cannot see it, and the further the spark
                      is from the magnet the more it matters
  onset, timing       where on the recorded pulse the true moment lies; grows
  point, grid         with speed, and shrinks with the sampling rate
  scatter of the      noise; the only line that more sparks make smaller
  timing

How to make it smaller. Look at the largest line first; the others hardly count
until it is mended, since a line of half its size makes up a fifth of the whole.

  reference angle     read the wheel five times, piston stop from both sides,
                      and state what you find: --reference-angle-tolerance
  delays              calibrate the reed against an optical pick-up or a bare
                      coil, or use an optical or Hall one; state what you know:
                      --reference-delay, --reference-delay-tolerance;
                      without them the verdict says where the delay of a
                      reed would turn it
  speed variation     put the magnet so that it passes 5° to 20° before the
                      spark; then state the most that the speed varies:
                      --speed-fluctuation
  onset, grid         record at 96 or 192 kHz
  noise               raise the weaker level

What it rests on. It is as good as what you state. A tolerance is taken for the
farthest that the true value can be off. The speed variation is taken for the
most to be expected, and as if it were reached: where in the turn it is fastest
is left open. If the engine runs twice as unevenly as you state, and the magnet
is 40° to 90° from the spark, the true angle lies outside the ± in one answer of
four; half a turn away in one of three; where the speed variation is the largest
line in nearly one of two; and nothing in the recording shows it. With the magnet
right before the spark it is one in twelve. "sparkscope study coverage" counts
them.

Within, outside, undecided. With a target and a tolerance the answer is WITHIN
when the mean truly lies within at a probability of 95 % or more, OUTSIDE at 5 %
or less. UNDECIDED is an answer too: the ± straddles the limit. The text beside
it says what would settle it: how well the largest source would have to be
known, how many sparks it takes, or that the timing sits so near the limit that
a spanner does more than a better measurement.

Two speeds of one recording share the degree wheel and the delays. So the
difference between them is known better than either.`
