package sensors

// Found is one device that a search met, with what a config entry for it needs. A search reads only what identifies a
// device; whether its values can be trusted is for [Sensor.Read] to say.
type Found struct {
	Driver   string    // the driver to name in the config, such as "w1", "hwmon" or "sht4x"
	Bus      string    // where it hangs, such as "w1_bus_master1", "i2c-1" or "I2C1"
	Address  string    // what the driver wants as address, such as a ROM code, "0x44" or the kernel's "1-0044"
	Name     string    // what the kernel calls the device, such as "bme280"; empty where no kernel driver is bound
	Part     string    // the part as far as it is known, such as "DS18B20"
	Channels []Channel // what it measures
	Notes    []string  // advice for the keeper, such as "a copy of the original part: check it in ice water first"
}
