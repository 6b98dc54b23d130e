package dsp

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

type fam struct {
	name string
	f    func(t float64) float64
	imp  float64
}

func testFams() []fam {
	r := func(f, tau, ph float64) func(float64) float64 {
		return func(t float64) float64 { return math.Exp(-t/tau) * math.Sin(2*math.Pi*f*t+ph) }
	}
	return []fam{
		{"impulse3us", func(t float64) float64 {
			if t < 3e-6 {
				return 1
			}
			return 0
		}, 0},
		{"jumpexp60us", func(t float64) float64 { return math.Exp(-t / 60e-6) }, 0},
		{"ring8k sin", r(8e3, 300e-6, 0), 0},
		{"ring8k cos", r(8e3, 300e-6, math.Pi/2), 0},
		{"ring4k long", r(4e3, 1500e-6, 0), 0},
		{"ring second tallest", func(t float64) float64 {
			return (math.Exp(-t/900e-6) - math.Exp(-t/120e-6)) * math.Sin(2*math.Pi*9e3*t)
		}, 0},
		{"quad front 60us", func(t float64) float64 { x := t / 60e-6; return x * x * math.Exp(-2*x) }, 0},
		{"S front 200us", func(t float64) float64 {
			if t < 200e-6 {
				return 0.5 * (1 - math.Cos(math.Pi*t/200e-6))
			}
			return math.Exp(-(t - 200e-6) / 500e-6)
		}, 0},
		{"cubic", func(t float64) float64 { x := t / 40e-6; return x * x * x * math.Exp(-3*x) }, 0},
		{"step", func(t float64) float64 { return 1 }, 0},
		{"slow step 30us", func(t float64) float64 { return 1 - math.Exp(-t/30e-6) }, 0},
	}
}
func TestProtoOnset(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	kern := map[string]func(x float64) float64{
		"hann.45": func(x float64) float64 {
			L := 48.0
			if math.Abs(x) >= L {
				return 0
			}
			return 0.9 * sinc(0.9*x) * (0.5 + 0.5*math.Cos(math.Pi*x/L))
		},
		"black.48": func(x float64) float64 {
			L := 64.0
			if math.Abs(x) >= L {
				return 0
			}
			u := math.Pi * x / L
			return 0.96 * sinc(0.96*x) * (0.42 + 0.5*math.Cos(u) + 0.08*math.Cos(2*u))
		},
		"kais.40": func(x float64) float64 { return bandLimit{0.40, 20, 8}.at(x) },
	}
	for kn, k := range kern {
		for _, fs := range []float64{44100, 96000, 192000} {
			for _, f := range testFams() {
				var sum, worst, sd float64
				tot := time.Duration(0)
				const N = 6
				for it := 0; it < N; it++ {
					t0 := 60 + rng.Float64()
					w := make([]float64, 60+64+int(0.6e-3*fs))
					const os = 64
					for i := 0; i < (len(w)-60+70)*os; i++ {
						u := (float64(i) + 0.5) / os
						s := f.f(u / fs)
						if s == 0 {
							continue
						}
						lo, hi := int(t0+u)-64, int(t0+u)+65
						for n := max(lo, 0); n < min(hi, len(w)); n++ {
							w[n] += s * k(float64(n)-t0-u) / os
						}
					}
					pk := 0.0
					for _, v := range w {
						pk = math.Max(pk, math.Abs(v))
					}
					sg := pk * math.Pow(10, -50.0/20) / math.Sqrt(200)
					for i := range w {
						w[i] = w[i]/pk + rng.NormFloat64()*sg/pk
					}
					foot, crest := frontOf(w, sg/pk)
					st := time.Now()
					p, s, ok := onset(w, sg/pk, foot, crest)
					tot += time.Since(st)
					if !ok {
						t.Log("not ok", f.name, foot, crest)
						continue
					}
					e := p - t0
					sum += e
					if math.Abs(e) > math.Abs(worst) {
						worst = e
					}
					sd += s
				}
				lim := 0.2 + 2e-6*fs
				flag := ""
				if math.Abs(worst) > lim {
					flag = "  <<<<"
				}
				fmt.Printf("%-9s %6.0f %-20s mean %+6.3f worst %+6.3f sd %5.3f limit %.3f  %v%s\n", kn, fs, f.name, sum/N, worst, sd/N, lim, tot/N, flag)
			}
		}
	}
}
