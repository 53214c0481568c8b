// Package calibrate compares a sensor with a reference: it reads the sensor until it has settled, and turns what it read into
// the correction that a configuration takes.
//
//	against, err := calibrate.ParseAgainst("salt:NaCl", sensor.Feeds)
//	taken, err := calibrate.Settle(ctx, calibrate.Options{Sensor: device, Channel: against.Channel, Rule: against.Rule()})
//	reference, uncertainty, err := against.Reference(taken.Temperature, 0.2)
//	comparison, err := quality.Compare(taken.Readings, resolution, reference, uncertainty)
//	calibration, err := quality.OnePoint(point.Quantity, now, comparison)
//	fmt.Println(calibrate.Lines(sensor, against.Channel, now, calibration))
//
// What is compared is what the driver gives, before any correction of the configuration: the new lines take the
// place of the old ones.
package calibrate
