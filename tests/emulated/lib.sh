# What every first process does first and last.
export PATH=/bin
board() {
  mount -t proc proc /proc; mount -t sysfs sysfs /sys; mount -t devtmpfs devtmpfs /dev
  mkdir -p /run/lock /tmp; chmod 1777 /run/lock /tmp
  # the first gives random numbers, without which a program waits for ever on a machine as still as this one
  for m in bcm2835-rng industrialio kfifo_buf industrialio-triggered-buffer regmap-i2c ti-ads1015 i2c-dev bcm2835_wdt; do
    [ -e /modules/$m.ko ] && insmod /modules/$m.ko
  done
  # the register device, which the board's own kernel brings, and a bus with a converter whose inputs are set by hand or, given two pipes, from outside
  insmod /modules/fake_adc.ko gpiomem_base=0x3f200000 bus_nr=1 "$@"
  chmod 666 /dev/gpiochip0 /dev/i2c-1
  cd /tmp
}
off() { sync; poweroff -f; }
