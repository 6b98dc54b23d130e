package enginefile

// Template is a file that says nothing yet: every key stands in it behind a #,
// with what it is. Without the # each is a line that Parse reads, one of
// target.angle_deg and target.table left out.
const Template = `# What is known of one engine and of the pick-ups on it, for sparkscope.
#
# Take away the # before a line once you know its figure, and write yours in the
# place of the example. What is left behind a # is not known, and nothing takes
# its place: no figure here is a default. Units stand in the names. A tolerance
# is ±. Write what you like to remember behind a #; it stays.
#
#   sparkscope engine show FILE    what is known, and what each step still lacks
#   sparkscope engine check FILE   what is wrong or doubtful
#   sparkscope measure RECORDING --engine FILE
#
# The maker's manual, local rules and a qualified mechanic come before anything
# written here. Stop the engine before you touch flywheel, leads, plug or magnet.

[engine]
#name = "bench two-stroke"
#stroke_mm = 44.0

# The connecting rod, from centre to centre.
#rod_length_mm = 88.0

# How far the piston pin's path lies beside the crankshaft's axis: positive
# towards the side on which the crank pin goes down, negative towards the other.
#pin_offset_mm = 0.0

# Of the rim that is marked.
#flywheel_diameter_mm = 120.0

# As seen from the flywheel side: "clockwise" or "anticlockwise".
#rotation = "clockwise"

# 2 or 4.
#strokes_per_cycle = 2

# One for each cylinder, in the order of their numbers: how many degrees of crank
# after cylinder 1 it fires, whose own is 0. [0.0] is an engine of one cylinder.
#firing_offsets_deg = [0.0]

# (fastest - slowest)/mean speed within one revolution, the most to be expected.
#speed_fluctuation = 0.05

# Any text; of several lines between three quotes.
#notes = ""

# What the engine should fire at, in degrees before top dead centre (after it:
# negative): one angle, or a table by speed, from the maker's manual. Between the
# rows of a table the target goes in straight lines; below the first and above
# the last their angles hold.
[target]
#angle_deg = 18.0
#table = [ { rpm = 1500, angle_deg = 18.0 }, { rpm = 4000, angle_deg = 26.0 } ]

# How near is near enough: mostly ±2 for a road engine and ±0.5 for a race
# engine (common practice, no source).
#tolerance_deg = 2.0

# The contact breaker. Most gaps are between 0.3 and 0.5 mm (common practice, no
# source); the maker's figures come first.
[contacts]
#gap_min_mm = 0.30
#gap_max_mm = 0.50

# As it is set now.
#gap_mm = 0.40

# Of the plate, where its turning is read.
#plate_diameter_mm = 70.0

# Turns of the shaft that opens the contacts, per turn of the crank: 1 or 0.5.
#cam_turns_per_rev = 1.0

# Across the contacts, for contacts choose: a coil that cannot be disconnected,
# its winding's resistance, and the condenser.
#coil_inductance_mh = 3.0
#coil_resistance_ohm = 0.6
#condenser_uf = 0.2

# Where the contacts open, read with lamp and wheel on the engine at rest.
[static]
#angle_deg = 18.0
#angle_tolerance_deg = 0.5

# The pick-up that passes once per revolution, and the channel it is recorded on.
[reference]
#channel = 2

# "contact" for a reed, Hall or optical one, "coil" for a passive coil.
#kind = "contact"

# Per revolution.
#pulses = 1

# Where it truly switches, before top dead centre: sparkscope calibrate wheel.
#angle_deg = 30.0
#angle_tolerance_deg = 0.5

# How late its trace is: sparkscope calibrate pickup.
#delay_us = 200.0
#delay_tolerance_us = 20.0

# The pick-up of the spark, and the channel it is recorded on.
[spark]
#channel = 1

# "clamp" around the plug lead, "microphone", or "contacts" opening.
#kind = "clamp"

# How many sparks it hears per revolution; 0.5: in every second one.
#per_rev = 1.0
#delay_us = 0.0
#delay_tolerance_us = 5.0

# The sound input: how much later channel 2 is than channel 1: sparkscope
# calibrate skew.
[converter]
#skew_us = 0.0
#skew_tolerance_us = 0.5

# Where the job stands: sparkscope job FILE reads and writes it. What the wheel
# reads at top dead centre, and what is marked on the rim:
[job]
#tdc_deg = 0.0
#tdc_tolerance_deg = 0.3
#mark_deg = 18.0

# The running engine before and after the adjustment, where something else than
# sparkscope measured it, and what was done in between.
#running_deg = 16.5
#running_tolerance_deg = 1.0
#locked = "plate 1.5° against the rotation, gap 0.40 mm"
#again_deg = 18.0
#again_tolerance_deg = 1.0

# Results that bench and measure have written with --json.
#tdc_result = "tdc.json"
#gap_result = "gap.json"
#static_result = "hand.json"
#running_result = "before.json"
#again_result = "after.json"

# Steps that this engine does without.
#left_out = "gap, static"
`
