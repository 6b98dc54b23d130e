package calibrate

import (
	"math"

	"sparkscope/analysis/enginefile"
)

// Microphone is where a microphone stood when it heard a spark.
type Microphone struct {
	DistanceM            float64  // from the spark gap to its membrane, metres, 0.02 to 30
	DistanceToleranceM   *float64 // ±; nil: 1 cm
	TemperatureC         float64  // of the air, degrees Celsius, -40 to 60
	TemperatureTolerance *float64 // ±, kelvin; nil: 5
}

// Defaults of Microphone, common practice, no source.
const (
	distanceDefaultM   = 0.01
	temperatureDefault = 5.0
	mostDistanceM      = 3.0 // metres, across a shop: farther off nobody puts it on purpose
)

// SpeedOfSound is that of air at a temperature in degrees Celsius, m/s:
// 343.2·√(T/293.15), T in kelvin (ISO 9613-1). It leaves out the humidity.
func SpeedOfSound(celsius float64) float64 {
	return 343.2 * math.Sqrt((celsius+273.15)/293.15)
}

// formulaShare is how far that formula may lie from dry air, relative: 0.07 %
// at 0 °C, where Cramer (J. Acoust. Soc. Am. 93, 1993) has 331.51 m/s.
const formulaShare = 0.001

// humidityShare is by how much sound in damp air is faster than in dry, at the
// most, relative. Water vapour is lighter than air (molar masses 18.0 and
// 29.0) and has a ratio of specific heats of 1.33 for 1.40; to first order the
// speed then grows by 0.16 of the vapour's part in the pressure. That is at
// most its saturation pressure over the lowest air pressure to be expected,
// 900 hPa: 6.112 hPa·exp(17.62·t/(243.12+t)) (Magnus formula, WMO No. 8).
func humidityShare(celsius float64) float64 {
	return 0.16 * 6.112 * math.Exp(17.62*celsius/(243.12+celsius)) / 900
}

// Calibrate gives the time that sound takes from the spark to the microphone.
func (m Microphone) Calibrate() (*Calibration, error) {
	dTol, dHow := stated(m.DistanceToleranceM, distanceDefaultM)
	tTol, tHow := stated(m.TemperatureTolerance, temperatureDefault)
	switch {
	case !(m.DistanceM >= 0.02 && m.DistanceM <= 30):
		return nil, refuse("distance", "The distance is %g m.", "Want metres from the spark gap to the microphone, 0.02 to 30.", m.DistanceM)
	case !(dTol >= 0 && dTol < m.DistanceM):
		return nil, refuse("distance", "The distance of %g m is known to ±%g m.", "Want a tolerance of 0 or more, and less than the distance.", m.DistanceM, dTol)
	case !(m.TemperatureC >= -40 && m.TemperatureC <= 60):
		return nil, refuse("temperature", "The air has %g °C.", "Want degrees Celsius from -40 to 60.", m.TemperatureC)
	case !(tTol >= 0 && tTol <= 40):
		return nil, refuse("temperature", "The temperature is known to ±%g °C.", "Want 0 to 40.", tTol)
	}
	c := &Calibration{Method: "microphone", Quantity: "delay of the spark's microphone", Meaning: "from the spark to its sound in the recording",
		Unit: Microseconds, Key: enginefile.SparkDelay, ToleranceKey: enginefile.SparkDelayTolerance, KindKey: enginefile.SparkKind, Kind: "microphone"}
	c.input("distance, spark gap to membrane", "%g m ±%g m (%s)", m.DistanceM, dTol, dHow)
	c.input("air temperature", "%g °C ±%g °C (%s)", m.TemperatureC, tTol, tHow)
	kelvin := m.TemperatureC + 273.15
	v := SpeedOfSound(m.TemperatureC)
	us := m.DistanceM / v * 1e6
	c.step("speed of sound = 343.2 m/s · √((t + 273.15)/293.15)  (ISO 9613-1)", "%.2f m/s", v)
	c.step("delay = distance/speed of sound", "%.1f µs", us)
	c.rectangle("distance", dTol/v*1e6, "±%g m, rectangular, %s: ±%g m/(%.1f m/s)", dTol, dHow, dTol, v)
	c.rectangle("temperature", us*tTol/(2*kelvin), "±%g °C, rectangular, %s: delay·±%g/(2·%.1f)", tTol, tHow, tTol, kelvin)
	h := math.Max(formulaShare, humidityShare(m.TemperatureC))
	c.rectangle("humidity and the formula", us*h, "±%.2f %%, rectangular: from dry to saturated air (Magnus formula; Cramer 1993 within it)", 100*h)
	c.conclude(us)
	if m.DistanceM < 0.1 {
		c.note("near", true, "Within some centimetres of a spark its sound is a weak shock and runs faster than this (from memory): put the microphone 10 cm away or more.")
	}
	if m.DistanceM > mostDistanceM {
		c.note("far", true, "%g m is far for a microphone that hears one spark: echoes and every other sound come in between, and the temperature counts the more. Was it meant in centimetres? Put it 10 cm to 1 m away.", m.DistanceM)
	}
	c.note("open-gap", false, "This holds for an open gap: plug out, earthed, engine spun, nothing that can burn near it. On a running engine a microphone hears combustion and exhaust, not the spark.")
	return c, nil
}
