pub struct Dummy;
