pub fn a(){}
